// Somebody's playing as the melody: whose it is, what is in doubt, and what was played, drawn over the notes it belongs to.
import { ask, path } from "../ask.js";
import { $, $$, choice, el, line, word } from "../dom.js";
import { nth, say } from "../words.js";
import { bringRecording } from "../melody.js";
import { hands } from "./barlines.js";

const SVG = "http://www.w3.org/2000/svg";
let open = false, time = 1; // stay while a sheet's tune is drawn anew
export const look = () => { open = true; };

export const nameOf = (bar) => (bar.time > 1 ? `${bar.number}.${bar.time}` : String(bar.number));
const called = (bar) => say("bar", { number: bar.number }) + (bar.time > 1 ? `, ${say("time_of", { nth: nth(bar.time) })}` : "");

export function showPlaying(sheet) {
  const slip = el("div", { class: "playing" });
  const part = { laid: null, lines: {}, busy: () => true };
  const music = () => sheet.parts.tune.music;
  let news = null, asked = 0;

  // What is known of the recording; it is asked for again when the desk has listened.
  async function refresh() {
    const mine = ++asked;
    news?.close();
    if (!sheet.view.recording) { part.laid = null; slip.replaceChildren(begin()); part.draw(); return; }
    let found;
    try { found = await ask(`/sheet/${path(sheet.name)}/recording`); } catch (fault) { slip.replaceChildren(el("p", { class: "wrong" }, fault.message)); return; }
    if (sheet.closed || mine !== asked) return;
    if (found.state === "laid") {
      Object.assign(part, { laid: found, lines: {} });
      const lines = sheet.hearing.takes.at(-1)?.wanted.body.lines; // what sounds still has them where a hand has put them
      if (lines && Object.keys(lines).length) sheet.hearing.change({ lines: {} });
    }
    if (found.state === "refused" || found.state === "none") part.laid = null; // what was laid stays while the desk listens again
    if (!slip.contains(document.activeElement)) write(found); else part.found = found;
    if (found.state === "making") wait(found.key); else part.draw();
  }

  function wait(key) {
    news = new EventSource(`/listening/${key}/progress`);
    news.onmessage = (event) => {
      const now = JSON.parse(event.data), bar = $("progress", slip);
      if (bar) bar.value = now.share;
      if (now.state === "making" && !sheet.closed) return;
      news.close();
      if (!sheet.closed) refresh();
    };
    news.onerror = () => { if (news.readyState === EventSource.CLOSED) slip.append(el("p", { class: "wrong" }, say("gone"))); };
  }

  const begin = () => el("p", {}, `${say("played_by_own")} `, word(say("bring_recording"), () => bringRecording(sheet), { id: "bring-recording" }));

  function write(found) {
    const { recording } = sheet.view, { laid } = part;
    if (!recording) return;
    const by = line(recording.by, { label: say("whose"), sample: say("whose_sample"), id: "by", keep: (text) => sheet.change([{ key: ["recording", "by"], value: text.trim() || null }]) });
    by.dir = "auto";
    const away = word(say("recording_away"), () => { open = false; sheet.change([{ key: ["recording"], value: null }]); }, { id: "recording-away" });
    const another = word(say("recording_other"), () => bringRecording(sheet), { id: "bring-recording" });
    const doubtful = laid?.bars.filter((bar) => bar.doubtful && bar.played) ?? [];
    const times = Math.max(1, ...(laid?.bars.map((bar) => bar.time) ?? []));
    time = Math.min(time, times);
    const toggle = word(say(open ? "playing_hide" : "playing_show"), () => { open = !open; write(found); part.draw(); $("#show-playing")?.focus(); }, { id: "show-playing", "aria-expanded": String(open) });
    const which = times > 1 && open ? [" · ", say("playing_time"), " ", choice(String(time), Array.from({ length: times }, (_, n) => [String(n + 1), say("playing_nth", { nth: nth(n + 1) })]),
      { label: say("playing_time"), id: "playing-time", keep: (value) => { time = Number(value); part.draw(); } })] : "";
    slip.replaceChildren(
      el("p", {}, `${say("played_by")} `, by, ` ${say("played_from", { file: recording.file })}`, laid ? `, ${say("played_pitch", { pitch: laid.pitch })}` : ""),
      found.state === "making" ? el("p", { role: "status", class: "quiet" }, say("laying"), " ", el("progress", { max: 1, value: 0, "aria-label": say("laying") })) : "",
      found.why ? el("p", { class: "red", role: "note" }, found.why) : "",
      laid ? el("ul", { class: "doubts" }, [
        ...laid.told.map((text) => el("li", {}, text)),
        ...doubtful.map((bar) => el("li", {}, word(`${called(bar)}: ${bar.doubts.join("; ") || say("place_unsure")}`, () => {
          if (!open) { open = true; write(found); }
          time = bar.time; part.draw(); sheet.goto(bar.number, { time: bar.time });
          document.getElementById(`line-${nameOf(bar)}`)?.focus();
        }, { "data-bar": bar.number })))]) : "",
      el("p", { class: "quiet" }, laid ? [toggle, which, " · "] : "", another, " · ", away),
      laid && open ? el("p", { class: "quiet", id: "lines-how" }, say("lines_how")) : "",
      el("p", { class: "quiet" }, recording.by ? say("consent_of", { by: recording.by }) : say("consent")));
  }

  // The bars as played the how-manieth time, their lines where a hand has just put them.
  part.bars = () => {
    const most = new Map();
    for (const bar of part.laid?.bars ?? []) if (bar.time <= time || !most.has(bar.number)) most.set(bar.number, bar);
    return [...most.values()];
  };

  part.draw = () => {
    $$(".line-hand", music()).forEach((one) => one.remove());
    if (part.paint()) hands(sheet, part, music());
  };
  part.paint = () => {
    $$(".heard", music()).forEach((one) => one.remove());
    const svg = $("svg", music());
    if (!svg?.isConnected || !part.laid || !open) return false;
    for (const bar of part.bars()) paint(svg, bar);
    return true;
  };

  function paint(svg, bar) {
    const place = placeOf(svg, bar);
    if (!place) return;
    const group = document.createElementNS(SVG, "g");
    group.setAttribute("class", "heard");
    for (const [start, end, step, name] of part.laid.notes) {
      if (end <= bar.start || start >= bar.end) continue;
      const from = place.x(Math.max(start, bar.start)), to = place.x(Math.min(end, bar.end)) - place.gap * 0.25;
      const y = place.low - (step - 2) * place.gap / 2; // the lowest line is E, two steps above middle C
      const stroke = document.createElementNS(SVG, "line");
      for (const [key, value] of Object.entries({ x1: from, x2: Math.max(to, from + place.gap * 0.3), y1: y, y2: y, "stroke-width": place.gap * 0.42, class: name ? "strange" : "" })) stroke.setAttribute(key, value);
      group.append(stroke);
      if (!name) continue;
      const text = document.createElementNS(SVG, "text");
      for (const [key, value] of Object.entries({ x: from, y: y - place.gap * 0.5, "font-size": place.gap * 1.5 })) text.setAttribute(key, value);
      text.textContent = name;
      group.append(text);
    }
    if (bar.doubtful) { // why stands below the staff
      const text = document.createElementNS(SVG, "text");
      for (const [key, value] of Object.entries({ x: place.right - place.gap * 1.2, y: place.top - place.gap * 0.6, "font-size": place.gap * 2.4, class: "unsure" })) text.setAttribute(key, value);
      text.textContent = "?";
      group.append(text);
    }
    place.group.append(group);
  }

  part.section = sheet.section("playing", "", slip);
  part.update = refresh;
  slip.addEventListener("focusout", (event) => { if (part.found && !slip.contains(event.relatedTarget)) { write(part.found); part.found = null; } });
  refresh();
  return part;
}

// Where a bar stands on the staff: its measure, where a second of the recording lies in it, and which second lies where.
export function placeOf(svg, bar) {
  const group = svg.querySelector(`[data-measure="${bar.measures[0]}"]`);
  const staff = group && [...group.querySelectorAll(".staff > path")].map((one) => one.getBBox());
  if (!staff?.length) return null;
  const right = Math.max(...staff.map((b) => b.x + b.width)), left = Math.min(...staff.map((b) => b.x));
  const top = Math.min(...staff.map((b) => b.y)), low = Math.max(...staff.map((b) => b.y + b.height)), gap = (low - top) / 4;
  const knots = [];
  for (const [quarter, measure, number] of bar.heads) {
    const note = measure === bar.measures[0] ? group.querySelector(`[data-note="${measure}-${number}"]`) : null;
    const head = note && ($(".notehead", note) ?? note).getBBox();
    if (head && (!knots.length || quarter > knots.at(-1)[0])) knots.push([quarter, head.x]);
  }
  if (!knots.length || knots[0][0] > 0) knots.unshift([0, Math.min(knots[0]?.[1] ?? right, left + gap * 1.6)]);
  const whole = bar.measures.length > 1 ? Math.max(...bar.heads.filter(([, measure]) => measure === bar.measures[0]).map(([quarter]) => quarter), 0) + 1 : bar.length;
  knots.push([Math.min(whole, bar.length), right]);
  const between = (value, from, to) => {
    let at = 1;
    while (at < knots.length - 1 && knots[at][from] < value) at++;
    const [a, b] = [knots[at - 1], knots[at]];
    return a[to] + (value - a[from]) * (b[to] - a[to]) / Math.max(b[from] - a[from], 1e-9);
  };
  const long = bar.end - bar.start;
  return {
    group, gap, low, top, left: knots[0][1] - gap * 1.1, right,
    x: (second) => Math.min(between((second - bar.start) / long * bar.length, 0, 1), right),
    second: (x) => bar.start + between(x, 1, 0) / bar.length * long,
  };
}
