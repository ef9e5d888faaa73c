// How it has gone from take to take, tempo by tempo: kept only where it was asked for, and forgotten when asked.
import { ask, path } from "./ask.js";
import { el, word } from "./dom.js";
import { beat, say } from "./words.js";
import { lay, leave } from "./stage.js";

const SVG = "http://www.w3.org/2000/svg", WIDE = 300, HIGH = 74, DAY = 864e5;
const where = (sheet) => `/sheet/${path(sheet.name)}/history`;
const day = (text) => new Date(text).toLocaleDateString(undefined, { day: "numeric", month: "short" });

export async function showHistory(sheet) {
  let found;
  try { found = await ask(where(sheet)); } catch (fault) { found = { wrong: fault.message, rows: [] }; }
  const slip = lay(say("history_title"));
  fill(sheet, slip, found);
}

function fill(sheet, slip, found) {
  const forget = async () => { try { fill(sheet, slip, await ask(where(sheet), { forget: true })); } catch (fault) { fill(sheet, slip, { wrong: fault.message, rows: [] }); } };
  slip.replaceChildren(el("h2", {}, say("history_title")), ...(found.wrong ? [el("p", { class: "wrong", role: "alert" }, found.wrong)] : drawn(found)),
    el("p", {}, el("button", { type: "button", class: "press plain", onclick: leave }, say("put_down")), found.rows.length ? word(say("history_forget"), forget, { id: "forget-history" }) : ""));
  slip.querySelector("button").focus();
}

function drawn({ kept, file, rows }) {
  if (!kept) return [el("p", {}, say("history_none"))];
  if (!rows.length) return [el("p", {}, say("history_empty"))];
  const tempos = new Map();
  for (const row of rows) {
    const name = `${beat(row.beat)} = ${Math.round(10 * row.tempo) / 10}`;
    tempos.set(name, [...(tempos.get(name) ?? []), row]);
  }
  return [el("p", {}, say("history_how")), el("ul", { class: "went" }, [...tempos].map(([name, all]) => el("li", {}, el("h3", {}, name), ...line(all)))),
    el("p", { class: "quiet" }, say("history_where", { file }))];
}

// A line through the takes at one tempo: the nearer to the ground, the closer to the beat. Days are as far apart as they were.
function line(all) {
  const judged = all.filter((row) => row.within_ms !== null);
  if (!judged.length) return [el("p", { class: "quiet" }, say("heard_none"))];
  const times = judged.map((row) => Date.parse(row.recorded)), from = Math.min(...times), span = Math.max(...times) - from;
  const top = Math.max(60, ...judged.map((row) => row.within_ms));
  const places = judged.map((row, n) => [12 + (WIDE - 24) * (span > DAY ? (times[n] - from) / span : judged.length > 1 ? n / (judged.length - 1) : 0), HIGH - 8 - (HIGH - 18) * row.within_ms / top]);
  const first = judged[0], last = judged.at(-1);
  const said = judged.length > 1 ? say("history_from", { first: Math.round(first.within_ms), last: Math.round(last.within_ms), from: day(first.recorded), to: day(last.recorded) }) : say("history_once", { last: Math.round(last.within_ms), to: day(last.recorded) });
  const svg = make("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, role: "img", "aria-label": said });
  svg.append(make("path", { d: `M6 ${HIGH - 8}H${WIDE - 6}`, class: "ground" }), make("polyline", { points: places.map((one) => one.map((value) => value.toFixed(1)).join()).join(" ") }));
  places.forEach(([cx, cy], n) => {
    const dot = make("circle", { cx: cx.toFixed(1), cy: cy.toFixed(1), r: 4 }), title = make("title", {});
    title.textContent = `${judged[n].take}, ${day(judged[n].recorded)}: ${say("history_ms", { ms: Math.round(judged[n].within_ms) })}`;
    dot.append(title);
    svg.append(dot);
  });
  return [svg, el("p", { class: "quiet" }, said)];
}

function make(tag, props) {
  const node = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(props)) node.setAttribute(key, value);
  return node;
}

// After a take: it is remembered already, or can be from now on.
export function remembering(sheet, found) {
  const box = el("p", { class: "quiet" });
  const show = () => box.replaceChildren(say("remembered"), " ", word(say("history_show"), () => showHistory(sheet), { id: "show-history" }));
  if (found.remembered) show();
  else box.replaceChildren(word(say("remember"), async () => {
    try { await ask(where(sheet), { remember: found.page }); show(); box.querySelector("button").focus(); } catch (fault) { box.replaceChildren(fault.message); }
  }, { id: "remember" }), " ", say("remember_how"));
  return box;
}
