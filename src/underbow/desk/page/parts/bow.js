// The bow: patterns to choose from, and its zigzag changed by hand. What the bow can't do is said at once, with why.
import { ask, path } from "../ask.js";
import { $, $$, drawing, el, line, narrow, word } from "../dom.js";
import { say } from "../words.js";

let editing = {}; // the sheet and the block that is being changed; it stays so while the sheet is drawn anew

export function showBow(sheet) {
  const { bow } = sheet.view;
  const alike = bow.sections.every((one) => one.name === bow.sections[0].name);
  const blocks = alike ? [{ ...bow.sections[0], section: null, names: bow.sections.map((one) => one.section) }] : bow.sections.map((one) => ({ ...one, names: [one.section] }));
  const part = { busy: () => Boolean(part.editor?.section.contains(document.activeElement)) };
  const set = (block, name) => sheet.change([{ key: ["pattern"], value: block.section === null || bow.sections.length < 2 ? name : Object.fromEntries(bow.sections.map((one) => [one.section, one.section === block.section ? name : written(one)])) }]);
  const written = (one) => one.own ?? one.name;

  const choose = el("div", { class: "choices" });
  const finished = (id) => { editing = {}; delete sheet.parts.bow; sheet.draw(); $(`[data-at="hand-${id}"]`)?.focus(); };

  function shown(block) {
    const id = block.section ?? "";
    const home = el("div", { class: `bowing ${block.bars > 1 ? "wide" : ""}` });
    const place = el("div", { class: "drawn" }, drawing(block.svg));
    const others = word(say("other_bowing"), () => (choose.dataset.of === id && choose.children.length ? choose.replaceChildren() : list(block, choose, id)), { class: "open", "data-at": `bowing-${id}` });
    const hand = word(say("change_bow"), () => { editing = { sheet, id }; part.editor = editor(sheet, block, home, () => finished(id)); }, { "data-at": `hand-${id}` });
    const split = alike && block.names.length > 1 ? block.names.map((one) => [" · ", word(say("bow_of", { section: one }), () => list({ ...block, section: one }, choose, one), { "data-at": `split-${one}` })]) : "";
    const whole = () => [
      el("p", { class: "bow-head" }, block.names.length > 1 || bow.sections.length > 1 ? el("b", { class: "letter" }, block.names.join(" ")) : "", " ", el("span", { class: block.ink ? "ink" : "pencil" }, block.title), block.own ? el("span", { class: "quiet" }, ` (${say("own_bow")})`) : ""),
      place, el("p", { class: "about" }, block.about),
      el("p", { class: "quiet" }, others, " · ", hand, " · ", word(say("hear_it"), () => hear(sheet, { rows: block.rows })), split,
        alike ? "" : [" · ", word(say("one_for_all"), () => sheet.change([{ key: ["pattern"], value: written(block) }]))],
        block.ink && (block.section === null || bow.sections.length < 2) ? [" · ", word(say("rub_out"), () => sheet.change([{ key: ["pattern"], value: null }]))] : "")];
    home.append(...whole());
    if (editing.sheet === sheet && editing.id === id) part.editor = editor(sheet, block, home, () => finished(id));
    return home;
  }

  async function list(block, place, id) {
    place.dataset.of = id;
    const { bowings } = await ask(`/sheet/${path(sheet.name)}/bowings`);
    const { dance } = sheet.view.head;
    const group = (one) => (one?.own ? "own" : one?.suits);
    place.replaceChildren(...bowings.flatMap((one, i) => [
      ...(group(one) === group(bowings[i - 1]) ? [] : [el("h3", {}, say(`bowings_${group(one)}`, { dance }))]),
      el("div", { class: "bowing choice" },
        el("p", { class: "bow-head" }, el("b", {}, one.title)),
        el("div", { class: "drawn" }, drawing(one.svg)), el("p", { class: "about" }, one.about),
        el("p", { class: "quiet" }, word(say("hear_it"), () => hear(sheet, { pattern: one.name })), " · ", word(say("take_it"), () => set(block, one.name), { class: "take" })))]));
    $(".take", place)?.focus();
  }

  part.section = sheet.section("bow", "", el("div", { class: "bowings" }, blocks.map(shown)), choose);
  part.update = (view) => { part.editor?.renewed(view); };
  return part;
}

function hear(sheet, what) {
  sheet.hearing.start(sheet.name, { ...what, pass: sheet.here.pass });
}

const STARTS = "dux~";
const LEAST = 33, BAR = 320; // pixels that a finger hits; units that a bar is drawn wide

function editor(sheet, block, home, done) {
  let rows = { ...block.rows }, title = block.own ? block.title : "", file = block.own, at = 0, keeping, sent = 0;
  const bars = rows.bow.length / rows.cells;
  const board = el("div", { class: `board ${bars > 1 ? "wide" : ""}` });
  const why = el("div", { class: "red", role: "alert" });
  const words = el("p", { class: "strokes" });
  const name = line(title || `${block.title}, my way`, { label: say("bow_name"), keep: (text) => { title = text; keep(); }, id: "bow-name" });
  home.replaceChildren(
    el("p", { class: "bow-head" }, block.names.length > 1 || block.section ? el("b", { class: "letter" }, block.names.join(" ")) : "", " ", name),
    el("div", { class: "scroll" }, board), why, words, el("p", { class: "quiet" }, say("bow_how")),
    el("p", { class: "quiet" }, word(say("hear_it"), () => hear(sheet, { rows })), " · ", word(say("put_down"), () => { flush(); done(); }, { class: "open" })));

  const put = (row, i, sign) => { rows[row] = rows[row].slice(0, i) + sign + rows[row].slice(i + 1); };
  function alternate() { // the bow goes down and up in turn, as the first stroke begins
    let way = rows.bow.match(/[du]/)?.[0] ?? "d";
    if (rows.retake) return;
    rows.bow = [...rows.bow].map((sign) => { if (!"du".includes(sign)) return sign; const now = way; way = way === "d" ? "u" : "d"; return now; }).join("");
  }
  function stroke(i, sign, { free = false } = {}) {
    const was = rows.bow[i];
    put("bow", i, sign);
    if (STARTS.includes(sign)) {
      if (!/[1-9]/.test(rows.accent[i])) put("accent", i, sign === "~" ? "5" : "6");
      if (rows.strings[i] === ".") put("strings", i, "=");
    } else { put("accent", i, "."); put("strings", i, "."); }
    if ("x.".includes(sign) && was !== sign) for (let j = i + 1; j < rows.bow.length && "-~".includes(rows.bow[j]); j++) { put("bow", j, "."); put("accent", j, "."); put("strings", j, "."); }
    if (!free) alternate();
    changed(i);
  }
  const turn = (i) => stroke(i, "du".includes(rows.bow[i]) ? "-" : "d");
  function lean(i, to) {
    if (!STARTS.includes(rows.bow[i])) return;
    put("accent", i, String(Math.min(Math.max(to, 1), 9)));
    changed(i);
  }
  function moveTurn(from, to) {
    if (from === to || !"du".includes(rows.bow[from])) return;
    const [accent, strings] = [rows.accent[from], rows.strings[from]];
    const step = Math.sign(to - from);
    for (let j = from; j !== to; j += step) { const hold = step > 0 ? "-" : j === from ? "-" : "-"; put("bow", j, hold); put("accent", j, "."); put("strings", j, "."); }
    put("bow", to, "d"); put("accent", to, accent); put("strings", to, strings);
    if (from === 0 && step > 0 && "x.".includes(rows.bow.at(-1))) for (let j = 0; j < to; j++) put("bow", j, ".");
    alternate();
    changed(to);
  }

  async function changed(i) {
    at = i;
    const mine = ++sent;
    const found = await ask("/bow", { rows, narrow: narrow() }).catch((fault) => ({ svg: "", problems: [{ what: fault.message, cell: null }] }));
    if (mine !== sent) return;
    why.replaceChildren(...(found.problems.length ? [el("p", {}, say("cant_bow")), ...[...new Set(found.problems.map((one) => one.what))].map((one) => el("p", {}, one))] : []));
    if (found.svg) { draw(found.svg); clearTimeout(keeping); keeping = setTimeout(keep, 350); }
    else mark(found.problems);
    board.dataset.drawn = String(mine);
  }
  function keep() {
    clearTimeout(keeping);
    keeping = null;
    if (why.children.length) return;
    const kept = { rows: { ...rows }, title: title || name.value, section: block.section };
    sheet.ask("bow", () => ({ ...kept, file })); // which file it is may be known only when the one before is kept
  }
  function flush() { if (keeping) keep(); }

  function mark(problems) {
    for (const [i, hand] of $$(".cell-hand", board).entries()) {
      const bad = problems.some((one) => one.cell === i);
      hand.classList.toggle("bad", bad);
      hand.dataset.sign = rows.bow[i] === "." ? "" : rows.bow[i];
      hand.setAttribute("aria-label", said(i));
    }
    board.classList.toggle("cant", true);
    hands()[at]?.focus({ preventScroll: true });
    offer();
  }
  const hands = () => $$(".cell-hand", board);
  let counts = []; // how each cell is counted, "2" or "2 &"
  function count(cells) {
    let beat = "";
    counts = cells.map((rect, i) => {
      const name = $$("text", rect.parentElement)[i % rows.cells]?.textContent ?? "";
      if (/\d/.test(name)) beat = name;
      return name === beat ? name : `${beat} ${name}`;
    });
  }
  function said(i) {
    const sign = rows.bow[i], name = { d: "stroke_d", u: "stroke_u", "-": "stroke_hold", "~": "stroke_pulse", x: "stroke_x", ".": "stroke_rest" }[sign];
    return say("cell_said", { bar: Math.floor(i / rows.cells) + 1, count: counts[i], stroke: say(name, { accent: rows.accent[i] }) });
  }

  function draw(svg) {
    const focused = board.contains(document.activeElement);
    board.classList.remove("cant");
    const picture = drawing(svg, "");
    board.replaceChildren(picture);
    const view = picture.viewBox.baseVal;
    board.classList.toggle("wide", view.width > 400);
    board.style.minWidth = narrow() ? `${LEAST * rows.cells * view.width / BAR}px` : ""; // where that is too wide, it is pushed aside
    home.classList.toggle("wide", view.width > 400);
    const cells = $$("rect.cell", picture).slice(0, rows.bow.length);
    count(cells);
    cells.forEach((rect, i) => {
      const shift = rect.closest("g")?.getAttribute("transform")?.match(/translate\(([-\d.]+)[ ,]+([-\d.]+)/) ?? [0, 0, 0];
      const box = { x: Number(rect.getAttribute("x")) + Number(shift[1]), y: Number(rect.getAttribute("y")) + Number(shift[2]), w: Number(rect.getAttribute("width")), h: Number(rect.getAttribute("height")) };
      const hand = el("button", { type: "button", class: "cell-hand", "aria-label": said(i), tabindex: i === at ? "0" : "-1" });
      Object.assign(hand.style, { left: `${(100 * (box.x - view.x)) / view.width}%`, top: `${(100 * (box.y - view.y)) / view.height}%`, width: `${(100 * box.w) / view.width}%`, height: `${(100 * box.h) / view.height}%` });
      hand.addEventListener("focus", () => inHand(i));
      hand.addEventListener("keydown", (event) => key(event, i));
      hand.addEventListener("pointerdown", (event) => drag(event, i, hand));
      board.append(hand);
    });
    if (focused) hands()[at]?.focus({ preventScroll: true });
    offer();
  }

  function inHand(i) {
    at = i;
    hands().forEach((one, j) => { one.tabIndex = i === j ? 0 : -1; });
    offer();
  }

  function drag(down, i, hand) {
    if (down.button) return;
    const box = hand.getBoundingClientRect(), top = down.clientY - box.top < box.height * 0.24, from = Number(rows.accent[i]) || 0;
    let moved = false, target = i, to = from;
    hand.focus({ preventScroll: true });
    inHand(i); // a window in the background tells of no focus
    hand.setPointerCapture(down.pointerId);
    const move = (event) => {
      if (Math.hypot(event.clientX - down.clientX, event.clientY - down.clientY) > 4) moved = true;
      if (!moved) return;
      if (top) { target = Math.min(Math.max(i + Math.round((event.clientX - down.clientX) / box.width), 0), rows.bow.length - 1); if ("du".includes(rows.bow[i])) hands().forEach((one, j) => one.classList.toggle("aim", j === target && j !== i)); }
      else if (from) { to = Math.min(Math.max(from + Math.round((down.clientY - event.clientY) / 7), 1), 9); if (String(to) !== rows.accent[i]) lean(i, to); }
    };
    hand.addEventListener("pointermove", move);
    const over = () => {
      hand.removeEventListener("pointermove", move);
      for (const one of hands()) one.classList.remove("aim");
    };
    hand.addEventListener("pointercancel", over, { once: true });
    hand.addEventListener("pointerup", () => {
      over();
      if (top && !moved) turn(i);
      else if (top) moveTurn(i, target);
    }, { once: true });
  }

  function key(event, i) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const cells = rows.bow.length, focus = (j) => hands()[(j + cells) % cells]?.focus();
    const acts = {
      ArrowLeft: () => focus(i - 1), ArrowRight: () => focus(i + 1), ArrowUp: () => lean(i, Number(rows.accent[i]) + 1), ArrowDown: () => lean(i, Number(rows.accent[i]) - 1),
      t: () => turn(i), Enter: () => turn(i), d: () => stroke(i, "d", { free: true }), u: () => stroke(i, "u", { free: true }), "-": () => stroke(i, "-"), s: () => stroke(i, "~"), "~": () => stroke(i, "~"),
      x: () => stroke(i, "x"), ".": () => stroke(i, "."), Delete: () => stroke(i, "."), Escape: () => { flush(); done(); },
    };
    const act = /^[1-9]$/.test(event.key) ? () => lean(i, Number(event.key)) : acts[event.key];
    if (!act) return;
    event.preventDefault();
    event.stopPropagation();
    act();
  }

  function offer() { // what can be done with the cell in hand, in words
    const sign = rows.bow[at], starts = STARTS.includes(sign);
    const can = [
      !"du".includes(sign) && ["do_turn", () => stroke(at, "d"), "t"],
      sign !== "-" && ["do_hold", () => stroke(at, "-"), "-"],
      sign !== "~" && ["do_pulse", () => stroke(at, "~"), "s"],
      sign !== "x" && ["do_chop", () => stroke(at, "x"), "x"],
      sign !== "." && ["do_rest", () => stroke(at, "."), "."],
      starts && ["do_louder", () => lean(at, Number(rows.accent[at]) + 1), "↑"],
      starts && ["do_softer", () => lean(at, Number(rows.accent[at]) - 1), "↓"],
      ...["=_^"].flatMap((all) => [...all]).map((one, n) => starts && rows.strings[at] !== one && [["strings_both", "strings_lower", "strings_upper"][n], () => { put("strings", at, one); changed(at); }, ""]),
    ].filter(Boolean);
    words.replaceChildren(el("span", { class: "quiet" }, `${said(at)}: `), ...can.flatMap(([text, act, keyed], n) => [n ? " · " : "", word(say(text), act, { title: keyed, "data-act": text })]));
  }

  draw(block.svg);
  requestAnimationFrame(() => hands()[0]?.focus({ preventScroll: true }));
  return {
    section: home,
    renewed(view) { // the file that it is kept in
      const mine = view.bow.sections.find((one) => block.section === null || one.section === block.section);
      if (mine?.own) file = mine.own;
      block = { ...block, ...mine, section: block.section, names: block.names };
    },
  };
}
