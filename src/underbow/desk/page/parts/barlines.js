// Bar lines of a recording, moved by hand against what sounds: dragged over what was played, or by keys.
import { $, el } from "../dom.js";
import { nth, say } from "../words.js";
import { nameOf, placeOf } from "./playing.js";

const STEP = 0.01, LEAP = 0.05, LEAST = 0.06, NEAR = 9, PAUSE = 200, WAIT = 900; // seconds; pixels round a note's beginning; milliseconds
const shown = (second) => second.toFixed(2);

// A handle at each bar that follows another, or begins: where it lies in the recording.
export function hands(sheet, part, music) {
  const svg = $("svg", music), bars = part.laid.bars, box = music.getBoundingClientRect();
  for (const bar of part.bars()) {
    const place = placeOf(svg, bar);
    if (!place) continue;
    const matrix = place.group.getScreenCTM();
    const screen = (x, y) => new DOMPoint(x, y).matrixTransform(matrix);
    const top = screen(place.left, place.top - place.gap * 1.4), low = screen(place.left, place.low + place.gap * 1.4);
    const hand = el("span", { class: `line-hand ${bar.fixed ? "ink" : "pencil"}`, id: `line-${nameOf(bar)}`, role: "slider", tabindex: "0", "aria-orientation": "horizontal",
      "aria-label": say("line_of_bar", { bar: bar.number }) + (bar.time > 1 ? `, ${say("time_of", { nth: nth(bar.time) })}` : ""), "aria-describedby": "lines-how" }, el("span", { class: "at", "aria-hidden": "true" }));
    hand.style.left = `${100 * (top.x - box.left) / box.width}%`;
    hand.style.top = `${100 * (top.y - box.top) / box.height}%`;
    hand.style.height = `${100 * (low.y - top.y) / box.height}%`;
    music.append(hand);
    const index = bars.indexOf(bar), before = index > 0 && Math.abs(bars[index - 1].end - bar.start) < 0.02 ? bars[index - 1] : null;
    move(hand, { sheet, part, bar, before, place, matrix, svg });
  }
}

function move(hand, { sheet, part, bar, before, place, matrix, svg }) {
  const least = before ? before.start + LEAST : 0, most = bar.end - LEAST, first = bar.start;
  const starts = part.laid.notes.map(([start]) => start);
  const previous = before && placeOf(svg, before);
  let second = first, keeping = null, hearing = null;
  const tell = () => {
    for (const [key, value] of Object.entries({ "aria-valuemin": shown(least), "aria-valuemax": shown(most), "aria-valuenow": shown(second), "aria-valuetext": say("line_at", { second: shown(second) }) })) hand.setAttribute(key, value);
    $(".at", hand).textContent = say("line_at", { second: shown(second) });
  };
  tell();

  // Move it here, and have it heard so from the next bar on; the desk listens again once it is kept.
  function set(wanted) {
    second = Math.round(1000 * Math.min(Math.max(wanted, least), most)) / 1000;
    bar.start = second;
    if (before) before.end = second;
    part.lines[nameOf(bar)] = second;
    tell();
  }
  const heard = () => { if (sheet.hearing.playing) sheet.hearing.change({ lines: { ...part.lines }, around: sheet.here.around }); };
  async function keep() {
    clearTimeout(keeping);
    if (second === first) return;
    const lines = { ...sheet.view.recording.lines, [nameOf(bar)]: second };
    await sheet.change([{ key: ["recording", "bar_lines"], value: lines }]);
    document.getElementById(hand.id)?.focus({ preventScroll: true });
  }
  function giveBack() {
    const { [nameOf(bar)]: gone, ...lines } = sheet.view.recording.lines;
    if (gone === undefined) return;
    delete part.lines[nameOf(bar)];
    sheet.change([{ key: ["recording", "bar_lines"], value: Object.keys(lines).length ? lines : null }]);
  }
  // Round and round the bar before it and its own.
  function listen() {
    const low = before && before.number < bar.number ? before.number : bar.number;
    sheet.here.time = before && before.number < bar.number ? before.time : bar.time;
    sheet.here.bar = low;
    sheet.around([low, bar.number]);
    if (!sheet.hearing.playing) return sheet.hear();
    heard();
  }

  hand.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const step = event.shiftKey ? LEAP : STEP;
    const to = { ArrowLeft: second - step, ArrowRight: second + step, ArrowDown: second - step, ArrowUp: second + step,
      PageUp: starts.find((one) => one > second + 0.004) ?? second, PageDown: starts.findLast((one) => one < second - 0.004) ?? second, Home: least, End: most }[event.key];
    const other = { " ": listen, Enter: keep, Delete: giveBack, Backspace: giveBack, Escape: () => { clearTimeout(keeping); set(first); delete part.lines[nameOf(bar)]; part.draw(); document.getElementById(hand.id)?.focus(); } }[event.key];
    if (to === undefined && !other) return;
    event.preventDefault();
    event.stopPropagation();
    if (to === undefined) { if (event.key !== " " || !sheet.hearing.playing) other(); else sheet.hearing.halt(); return; }
    set(to);
    part.paint();
    clearTimeout(hearing);
    hearing = setTimeout(heard, PAUSE);
    clearTimeout(keeping);
    keeping = setTimeout(keep, WAIT);
  });
  hand.addEventListener("blur", () => { if (keeping) keep(); });

  hand.addEventListener("pointerdown", (down) => {
    if (down.button) return;
    down.preventDefault();
    hand.focus({ preventScroll: true });
    hand.setPointerCapture(down.pointerId);
    hand.classList.add("held");
    const left = hand.style.left, width = hand.parentElement.getBoundingClientRect().width, from = parseFloat(left);
    const ahead = place.x(first) - place.left; // what is dragged is the line; what it is put on is a note's beginning
    const inverse = matrix.inverse(), begin = new DOMPoint(down.clientX, down.clientY).matrixTransform(inverse).x;
    const unit = matrix.a;
    let wanted = first;
    const aim = (event) => {
      hand.style.left = `${from + 100 * (event.clientX - down.clientX) / width}%`;
      const x = place.left + ahead + new DOMPoint(event.clientX, event.clientY).matrixTransform(inverse).x - begin;
      const raw = previous && x < place.left + ahead ? before.end - (place.left + ahead - x) / Math.max(previous.right - previous.left, 1) * (before.end - before.start) : place.second(x);
      const close = starts.filter((one) => Math.abs(one - raw) * (place.right - place.left) / (bar.end - bar.start) * unit < NEAR);
      wanted = close.sort((a, b) => Math.abs(a - raw) - Math.abs(b - raw))[0] ?? raw;
      wanted = Math.min(Math.max(wanted, least), most);
      $(".at", hand).textContent = say("line_at", { second: shown(wanted) });
    };
    const up = (event) => {
      hand.removeEventListener("pointermove", aim);
      hand.classList.remove("held");
      if (event.type === "pointercancel" || Math.abs(event.clientX - down.clientX) < 3) { hand.style.left = left; tell(); return; }
      set(wanted);
      hand.style.left = left;
      part.paint();
      listen();
      keep();
    };
    hand.addEventListener("pointermove", aim);
    hand.addEventListener("pointerup", up, { once: true });
    hand.addEventListener("pointercancel", up, { once: true });
  });
}
