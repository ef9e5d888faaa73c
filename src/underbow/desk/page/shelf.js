// The shelf: every sheet of the folder as a small paper; blank ones to begin with; turned-down corners for a class; a copy of
// a sheet, and putting one away.
import { ask, inTurn, path } from "./ask.js";
import { $, el, tell, word } from "./dom.js";
import { meter, meterToFind, say } from "./words.js";
import { go, lay, leave, showRail, state } from "./stage.js";
import { beginWith, dropped } from "./begin.js";
import { makeLesson } from "./lesson.js";

const corners = new Set();
const away = []; // what was put away since the page was loaded, the latest last

const put = (name, way) => inTurn(() => ask(`/sheet/${path(name)}/put/${way}`, {}));

// Draws the shelf anew and goes to a sheet on it.
async function redraw(name, wanted) {
  leave();
  if (location.hash.startsWith("#sheet/")) return; // it was put back from there
  state.now = await showShelf(wanted);
  const all = [...document.querySelectorAll(".papers a")];
  (typeof name === "number" ? all[Math.min(name, all.length - 1)] : all.find((one) => one.hash === `#sheet/${path(name)}`))?.focus();
}

async function copy(sheet, wanted) {
  try {
    const { name, title, tune } = await put(sheet.name, "copy");
    await redraw(name, wanted);
    tell(tune ? say("copied_tune", { title, tune }) : say("copied", { title }));
  } catch (fault) { tell(fault.message); }
}

async function putAway(sheet, wanted) {
  try {
    const place = [...document.querySelectorAll(".papers a")].findIndex((one) => one.hash === `#sheet/${path(sheet.name)}`);
    const { name, title } = await put(sheet.name, "away");
    away.push({ name, title });
    await redraw(place, wanted);
    tell(say("is_away", { title }), word(say("back_again"), () => putBack({ name, title }, wanted), { id: "back-again" }));
  } catch (fault) { tell(fault.message); }
}

async function putBack(sheet, wanted) {
  try {
    const { name } = await put(sheet.name, "back");
    const at = away.findIndex((one) => one.name === sheet.name);
    if (at >= 0) away.splice(at, 1);
    await redraw(name, wanted);
    tell(say("is_back", { title: sheet.title }));
  } catch (fault) { leave(); tell(fault.message); }
}

function showAway(sheets, wanted) {
  lay(say("away_title"), el("h2", {}, say("away_title")), el("p", { class: "quiet" }, say("away_how")),
    el("ul", { class: "made" }, sheets.map((one) => el("li", {}, el("span", { dir: "auto" }, one.title), " · ",
      word(say("back_again"), () => putBack(one, wanted), { "aria-label": say("back_of", one) })))),
    el("p", {}, word(say("put_down"), leave)));
}

function stairs(tempos) {
  if (!tempos.length) return null;
  const low = Math.min(...tempos), high = Math.max(...tempos), span = Math.max(high - low, 1);
  const few = tempos.length > 14 ? tempos.filter((_, i) => i % Math.ceil(tempos.length / 14) === 0) : tempos;
  return el("div", { class: "steps", "aria-hidden": "true" },
    el("span", {}, String(low)), el("div", {}, few.map((tempo) => { const one = el("i"); one.style.height = `${25 + (75 * (tempo - low)) / span}%`; return one; })),
    el("span", {}, high === low ? "" : String(high)));
}

function paper(sheet, changed, wanted) {
  const called = { title: sheet.twin ? `${sheet.title}, ${sheet.name}` : sheet.title };
  const box = el("input", { type: "checkbox", checked: corners.has(sheet.name), "aria-label": say("corner", called) });
  box.addEventListener("change", () => { if (box.checked) corners.add(sheet.name); else corners.delete(sheet.name); changed(); });
  const facts = [sheet.key, meter(sheet.meter), sheet.dance].filter(Boolean).join(" · ");
  return el("li", { class: "paper small" },
    el("a", { href: `#sheet/${path(sheet.name)}` },
      el("b", { dir: "auto" }, sheet.title), el("span", {}, sheet.readable ? facts : say("unreadable")), sheet.twin ? el("span", { class: "file" }, sheet.name) : "",
      el("span", { class: "row", "aria-hidden": "true" }, sheet.chords.slice(0, 8).join("  ")), stairs(sheet.stairs)),
    el("label", { class: "corner", title: say("corner_how") }, box, el("i")),
    el("p", { class: "keep" }, word(say("copy"), () => copy(sheet, wanted()), { "aria-label": say("copy_of", called), class: "copy" }),
      word(say("put_away"), () => putAway(sheet, wanted()), { "aria-label": say("put_away_of", called), class: "away" })));
}

export async function showShelf(looked = "") {
  const found = await ask("/shelf");
  state.folder = found.folder;
  for (const name of corners) if (!found.sheets.some((one) => one.name === name)) corners.delete(name);
  const titles = found.sheets.map((one) => one.title.toLowerCase());
  const often = new Set(titles.filter((title, at) => titles.indexOf(title) < at));
  for (const one of found.sheets) one.twin = often.has(one.title.toLowerCase()); // its file tells it from the other
  showRail("");
  const stand = $("#stand"), dock = $("#dock");
  stand.className = found.sheets.length ? "shelf" : "shelf bare";
  const list = el("ul", { class: "papers" });
  let waiting = found.sheets.filter((one) => one.waiting).length;
  const count = el("p", { class: "quiet", role: "status" });
  const make = () => {
    const [first, ...more] = [...corners].map((name) => found.sheets.find((one) => one.name === name));
    makeLesson([...corners], more.length ? say("class_title", { title: first.title, count: more.length }) : first.title);
  };
  const changed = () => {
    dock.className = corners.size ? "open" : "";
    dock.replaceChildren(...(corners.size ? [el("div", { class: "class" },
      el("p", {}, corners.size === 1 ? say("chosen_one") : say("chosen", { count: corners.size })),
      el("button", { type: "button", class: "press", id: "make", onclick: make }, corners.size === 1 ? say("make") : say("make_class")),
      word(say("put_back"), () => { corners.clear(); cards.clear(); fill(); changed(); }))] : []));
  };
  const text = (one) => [one.title, one.key, meterToFind(one.meter), one.dance, ...one.chords].join(" ").toLowerCase().replaceAll("♯", "#").replaceAll("♭", "b");
  const texts = new Map(found.sheets.map((one) => [one, text(one)]));
  const cards = new Map();
  const card = (one) => cards.get(one) ?? cards.set(one, paper(one, changed, () => wanted)).get(one);
  const fits = (one, words) => words.every((w) =>
    w.length <= 2 && /^[a-g][#b]?m?$/.test(w) ? one.chords.some((c) => c.toLowerCase().replaceAll("♯", "#").replaceAll("♭", "b") === w) || texts.get(one).split(/\s+/).includes(w)
      : texts.get(one).includes(w));
  let wanted = looked;
  const fill = () => {
    const words = wanted.toLowerCase().replaceAll("♯", "#").replaceAll("♭", "b").split(/\s+/).filter(Boolean);
    const shown = found.sheets.filter((one) => fits(one, words));
    list.replaceChildren(...shown.map(card));
    const all = found.sheets.length;
    count.textContent = words.length ? (shown.length ? say("found", { count: shown.length, all }) : say(waiting ? "none_yet" : "none_found")) +
      (waiting ? ` · ${say("looking", { count: waiting })}` : "") : all === 1 ? say("found_one") : say("found_all", { all });
  };
  // Tunes without chords are read while the shelf is looked at, a few at a time.
  const read = async () => {
    const known = new Map(found.sheets.map((one) => [one.name, one]));
    while (waiting && list.isConnected) {
      const more = await ask("/shelf/chords");
      if (!list.isConnected) return;
      for (const sheet of more.sheets) {
        const one = known.get(sheet.name);
        if (!one) continue;
        Object.assign(one, sheet);
        texts.set(one, text(one));
        const before = cards.get(one), at = before?.contains(document.activeElement) ? document.activeElement.tagName : "";
        cards.delete(one);
        before?.replaceWith(card(one));
        if (at) card(one).querySelector(at)?.focus({ preventScroll: true });
      }
      waiting = more.sheets.length ? more.waiting : 0;
      if (wanted.trim()) fill();
    }
  };
  const blank = ["tune", "chords", "book", "recording"].map((way) =>
    el("li", { class: "paper small blank" }, el("button", { type: "button", id: `begin-${way}`, onclick: () => beginWith(way) }, el("b", {}, say(`begin_${way}`)), el("span", {}, say(`begin_${way}_how`)))));
  const find = el("input", { type: "search", id: "find", class: "find", placeholder: say("find"), "aria-label": say("find"), autocomplete: "off", spellcheck: "false", value: wanted });
  find.addEventListener("input", () => { wanted = find.value; fill(); });
  fill();
  changed();
  stand.replaceChildren(
    el("h1", { class: "unseen" }, say("sheets_in", { folder: found.folder })),
    found.sheets.length ? el("div", { class: "seek" }, find, count, found.sheets.length > 1 ? el("p", { class: "quiet" }, say("corners_how")) : "") : el("p", { class: "empty" }, say("empty")),
    el("section", { "aria-label": say("begin") }, el("ul", { class: "papers blanks" }, blank)),
    el("section", { "aria-label": say("sheets_in", { folder: found.folder }) }, list),
    found.away.length ? el("p", { class: "laid-away" }, word(found.away.length === 1 ? say("away_one") : say("away_count", { count: found.away.length }),
      () => showAway(found.away, wanted), { id: "laid-away" })) : "");
  read().catch(() => {});
  const papers = () => [...stand.querySelectorAll(".papers a, .blank button")];
  return {
    dropped,
    take(way) {
      if (way === "back" && away.length) putBack(away.at(-1), wanted);
      else tell(say(way === "back" ? "nothing_back_shelf" : "nothing_forth"));
    },
    key(event) {
      if (event.key === "/") { find.focus(); return true; }
      const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (!step) return false;
      const all = papers(), at = all.indexOf(document.activeElement);
      all[at < 0 ? 0 : Math.min(Math.max(at + step, 0), all.length - 1)]?.focus();
      return true;
    },
    jump(letter) { if (letter === "m" && corners.size) { make(); return true; } return false; },
  };
}

export { go, tell };
