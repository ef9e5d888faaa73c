// The tune: its staff, and its text beside it where it is being written. The staff follows what is typed at once.
import { ask, path } from "../ask.js";
import { $, $$, drawing, el, narrow, word } from "../dom.js";
import { letters } from "../stage.js";
import { fitSyllables } from "../syllables.js";
import { say } from "../words.js";

const TRY = 50, KEEP = 900; // milliseconds after the last key
let written = null; // the sheet whose text is open; it stays so while the staff is drawn anew

export function showTune(sheet) {
  const { view } = sheet, { tune } = view;
  if (!view.staff) written = sheet; // nothing else is to be seen of it
  let open = written === sheet;
  const music = el("div", { class: "music" });
  const part = { music, busy: () => $("#abc") && document.activeElement === $("#abc") };
  const where = tune.own ? (tune.file ? say(tune.number ? "tune_of_book" : "tune_file", tune) : say("tune_in_sheet")) : tune.composed ? say("tune_composed") : tune.file ? say("tune_of_file", { file: tune.file }) : say("tune_missing");
  const button = word(open ? say("put_down") : say("write_tune"), () => { open = !open; written = open ? sheet : null; toggle(); }, { class: "open", "aria-expanded": String(open), id: "write-tune" });
  const slip = el("div", { class: "writing" });
  const another = tune.composed ? word(say("other_melody"), () => sheet.change([{ key: ["compose", "seed"], value: 1 + Math.floor(Math.random() * 1e6) }])) : "";
  // What was in doubt when the tune was written down from a recording stands in its text: N:bar 7: why, and "^?" over the bar.
  const doubts = [...(tune.own ? tune.abc : "").matchAll(/^N:bar (\d+): (.+)$/gm)].map(([row, bar, why]) => ({ row, bar: Number(bar), why }));
  const settle = (one, at) => {
    let seen = -1;
    const marks = tune.abc.split('"^?"').length - 1;
    const rest = marks === doubts.length ? tune.abc.replace(/"\^\?"/g, (mark) => (++seen === at ? "" : mark)) : tune.abc;
    sheet.ask("tune", { abc: rest.replace(`${one.row}\n`, "") });
  };
  const unsure = doubts.length ? el("div", { class: "unsure" }, el("p", { class: "quiet" }, say("in_doubt")), el("ul", { class: "doubts" }, doubts.map((one, at) =>
    el("li", {}, word(`${one.bar ? say("bar", { number: one.bar }) : say("pickup")}: ${one.why}`, () => sheet.goto(one.bar)), " · ", word(say("is_right"), () => settle(one, at), { "data-settle": one.bar }))))) : "";
  part.section = sheet.section("tune", [el("span", {}, where), " · ", another, another ? " · " : "", button], music, unsure, slip);

  function draw(text) {
    music.replaceChildren(...(text ? [drawing(text, say("tune"))] : []));
    if (text) ready();
  }

  const svg = () => music.firstElementChild;
  const measure = (index) => svg()?.querySelector(`[data-measure="${index}"]`);
  const barOf = new Map();
  const measuresOf = new Map();
  for (const bar of view.changes ?? []) {
    measuresOf.set(bar.number, bar.measures);
    for (const index of bar.measures) barOf.set(index, bar);
  }
  part.measure = (number) => measure(measuresOf.get(number)?.[0] ?? -1);

  function mark(name, index) {
    const found = measure(index);
    if (!found) return;
    const staff = [...found.querySelectorAll(".staff > path")].map((one) => one.getBBox());
    if (!staff.length) return;
    const left = Math.min(...staff.map((b) => b.x)), right = Math.max(...staff.map((b) => b.x + b.width));
    const top = Math.min(...staff.map((b) => b.y)), bottom = Math.max(...staff.map((b) => b.y + b.height));
    const box = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    const gap = (bottom - top) * (name === "bad" || name === "doubt" ? 0.35 : 0.5);
    for (const [key, value] of Object.entries({ x: left, y: top - gap, width: right - left, height: bottom - top + 2 * gap, class: name })) box.setAttribute(key, value);
    found.prepend(box);
  }

  function ready() {
    const staff = svg();
    if (!staff?.isConnected) return;
    fitSyllables(music);
    for (const group of $$("[data-measure]", staff)) {
      const bar = barOf.get(Number(group.dataset.measure));
      if (bar && !bar.ink) group.classList.add("guess");
      if (bar && !bar.played) group.classList.add("left-out");
    }
    for (const one of sheet.view.problems) if (one.bar && one.part === "tune") for (const index of measuresOf.get(one.bar) ?? []) mark("bad", index);
    for (const one of doubts) for (const index of measuresOf.get(one.bar) ?? []) mark("doubt", index);
    staff.addEventListener("click", (event) => {
      const point = new DOMPoint(event.clientX, event.clientY);
      let best = null, near = Infinity;
      for (const group of $$("[data-measure]", staff)) {
        const box = group.getBoundingClientRect();
        const away = Math.max(box.left - point.x, 0, point.x - box.right) + 2 * Math.max(box.top - point.y, 0, point.y - box.bottom);
        if (away < near) { near = away; best = group; }
      }
      const bar = best && barOf.get(Number(best.dataset.measure));
      if (bar) sheet.goto(bar.number);
    });
    part.point(sheet.here.bar);
  }

  let lit = -1;
  part.mark = (index, note) => {
    if (index !== lit) { $$(".bar-mark", music).forEach((one) => one.remove()); if (index !== null) mark("bar-mark", index); lit = index; }
    const found = note ? svg()?.querySelector(`[data-note="${note[1]}-${note[2]}"]`) : null;
    const was = $(".played", music);
    if (was !== found) { was?.classList.remove("played"); found?.classList.add("played"); }
  };
  part.point = (number) => {
    $$(".bar-here", music).forEach((one) => one.remove());
    for (const index of measuresOf.get(number) ?? []) mark("bar-here", index);
  };

  function toggle() {
    button.textContent = open ? say("put_down") : say("write_tune");
    button.setAttribute("aria-expanded", String(open));
    if (!open) { slip.replaceChildren(); button.focus(); return; }
    const area = el("textarea", { id: "abc", class: "abc", spellcheck: "false", "aria-label": say("tune_text"), wrap: "off", autocapitalize: "off", autocomplete: "off" });
    area.value = sheet.view.tune.abc;
    const numbers = el("pre", { class: "numbers", "aria-hidden": "true" });
    const marks = el("pre", { class: "marks", "aria-hidden": "true" });
    const wrong = el("ul", { class: "faults", id: "abc-faults" });
    area.setAttribute("aria-describedby", "abc-faults");
    let problems = sheet.view.problems.filter((one) => one.part === "tune");
    const paint = () => {
      const rows = area.value.split("\n");
      const bad = new Map(problems.filter((one) => one.line).map((one) => [one.line, one.column ?? 0]));
      numbers.replaceChildren(...rows.map((_, i) => el("span", { class: bad.has(i + 1) ? "bad" : "" }, `${i + 1}\n`)));
      marks.replaceChildren(...rows.map((row, i) => {
        if (!bad.has(i + 1)) return el("span", {}, `${row}\n`);
        const from = Math.max((bad.get(i + 1) || 1) - 1, 0), stop = row.slice(from).search(/[|\s]/);
        const to = bad.get(i + 1) ? from + Math.max(stop < 0 ? row.length - from : stop, 1) : row.length;
        return el("span", {}, row.slice(0, from), el("u", {}, row.slice(from, to) || " "), `${row.slice(to)}\n`);
      }));
      area.style.height = `${Math.min(Math.max(rows.length, 5), 22) * 1.5 + 1.6}em`;
      marks.scrollTop = numbers.scrollTop = area.scrollTop;
      marks.scrollLeft = area.scrollLeft;
      wrong.replaceChildren(...problems.map((one) => el("li", {}, one.line ? word(`${say("line_of", { line: one.line })}${one.bar ? `, ${say("bar", { number: one.bar })}` : ""}: ${one.what}`, () => {
        const at = area.value.split("\n").slice(0, one.line - 1).join("\n").length + (one.line > 1 ? 1 : 0) + Math.max((one.column ?? 1) - 1, 0);
        area.focus(); area.setSelectionRange(at, at + 1);
      }) : one.what)));
    };
    let trying, keeping, sent = 0;
    const attempt = async () => {
      const mine = ++sent;
      try {
        const found = await ask(`/sheet/${path(sheet.name)}/trial`, { abc: area.value, narrow: narrow() });
        if (mine !== sent || !open) return;
        if (found.staff) draw(found.staff);
        problems = found.problems.filter((one) => one.part === "tune");
        paint();
        music.dataset.drawn = String(mine);
      } catch { /* said already */ }
    };
    const keep = () => {
      clearTimeout(keeping);
      if (area.value === sheet.view.tune.abc) return;
      sheet.ask("tune", { abc: area.value });
    };
    area.addEventListener("input", () => {
      paint();
      clearTimeout(trying); clearTimeout(keeping);
      trying = setTimeout(attempt, TRY);
      keeping = setTimeout(keep, KEEP);
    });
    area.addEventListener("scroll", () => { marks.scrollTop = numbers.scrollTop = area.scrollTop; marks.scrollLeft = area.scrollLeft; });
    area.addEventListener("blur", keep);
    area.addEventListener("keydown", (event) => { if (event.key === "Escape") { event.stopPropagation(); keep(); open = false; written = null; toggle(); } });
    part.update = (next) => {
      problems = next.problems.filter((one) => one.part === "tune");
      if (next.staff) draw(next.staff);
      paint();
    };
    slip.replaceChildren(el("div", { class: "lines" }, numbers, el("div", { class: "field" }, marks, area)), wrong, letters());
    paint();
    if (document.activeElement === button) area.focus();
  }

  draw(view.staff);
  requestAnimationFrame(ready); // boxes can be measured once it stands on the paper
  if (open) toggle();
  return part;
}
