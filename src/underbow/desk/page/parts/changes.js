// The changes, bar by bar under the lines of the staff. A letter typed on a bar begins a chord; what is suggested stands in pencil.
import { $, $$, el, narrow, word } from "../dom.js";
import { say } from "../words.js";

export function showChanges(sheet) {
  const { view } = sheet, bars = view.changes;
  const wrong = new Set(view.problems.filter((one) => one.part === "changes" && one.bar).map((one) => one.bar));
  const buttons = new Map();
  const part = { editing: null };
  const rows = [];
  let section = null;
  for (const bar of bars) {
    const row = (rows[bar.line] ??= el("div", { class: "row" }));
    const name = bar.section && bar.section !== section ? bar.section : "";
    if (bar.section) section = bar.section;
    const previous = bars[bars.indexOf(bar) - 1];
    const same = previous && previous.line === bar.line && previous.written === bar.written && previous.played === bar.played && bar.number > 1;
    const shown = wrong.has(bar.number) && bar.typed ? bar.typed : bar.chords.map((chord) => (chord === "-" ? "–" : chord) + (bar.doubtful ? "?" : "")).join(" ");
    const state = bar.ink || bar.sure === null ? say(bar.ink ? "ink" : "pencil") : say("pencil_sure", { sure: Math.round(100 * bar.sure) });
    const button = el("button", {
      type: "button", class: `bar ${bar.ink ? "ink" : "pencil"}${wrong.has(bar.number) ? " wrong" : ""}${bar.number === 0 ? " pickup" : ""}${bar.played ? "" : " left-out"}`,
      "data-bar": bar.number, "data-at": `bar-${bar.number}`, tabindex: "-1",
      onclick: (event) => { if (event.shiftKey) ring(bar.number); else { sheet.goto(bar.number, { quiet: true }); select(bar.number); edit(bar); } },
    }, el("span", { class: "unseen" }, `${bar.number ? say("bar", { number: bar.number }) : say("pickup")}: `),
    el("span", { class: "chords" }, same && bar.ink ? ["%", el("span", { class: "unseen" }, ` ${shown}`)] : shown),
    el("span", { class: "unseen" }, `, ${state}${bar.played ? "" : `, ${say("left_out")}`}`), bar.ending.length ? el("small", { class: "ending" }, `${bar.ending.join(", ")}.`) : "");
    buttons.set(bar.number, button);
    row.append(el("div", { class: "cell" }, name ? el("b", { class: "letter" }, name) : "", row.children.length === 0 || name || bar.ending.length ? el("i", { class: "number" }, bar.number === 0 ? "" : String(bar.number)) : "", button));
  }
  const body = el("div", { class: "changes" }, rows.filter(Boolean));
  part.section = sheet.section("changes", say("pencil_ink"), body);

  function select(number) {
    for (const [one, button] of buttons) button.tabIndex = one === number ? 0 : -1;
  }
  part.point = (number) => {
    select(number);
    const button = buttons.get(number);
    if (button && body.contains(document.activeElement)) button.focus();
    $$(".here", body).forEach((one) => one.classList.remove("here"));
    button?.classList.add("here");
  };
  part.mark = (number) => {
    const was = $(".sounding", body), now = number === null ? null : buttons.get(number);
    if (was !== now) { was?.classList.remove("sounding"); now?.classList.add("sounding"); }
  };
  part.ringed = (pair) => {
    for (const [number, button] of buttons) button.classList.toggle("ringed", Boolean(pair) && number >= Math.min(...pair) && number <= Math.max(...pair));
  };
  let from = null;
  function ring(number) {
    from ??= sheet.here.bar;
    sheet.around([Math.min(from, number), Math.max(from, number)]);
  }

  function edit(bar, begun = null) {
    part.close?.();
    const button = buttons.get(bar.number), cell = button.parentElement;
    const input = el("input", { class: "chord-field", "aria-label": say("chords_of", { bar: say("bar", { number: bar.number }) }), spellcheck: "false", autocomplete: "off", id: "chord-field" });
    const was = wrong.has(bar.number) && bar.typed ? bar.typed : bar.written;
    input.value = begun ?? (was === "-" ? "" : was);
    const hints = el("div", { class: "hints" }, bar.others.length ? el("span", { class: "quiet" }, say("how_sure")) : "", bar.others.slice(0, 4).map(([shown, written, sure]) =>
      word(say("sure", { chords: shown, sure: Math.round(100 * sure) }), () => keep(written), { class: "pencil" })),
    word(say("no_chord"), () => keep("-"), { class: "pencil" }), bar.rubbed ? word(say("rub_out"), () => keep("")) : "");
    const box = el("div", { class: "typing" }, narrow() ? el("b", { class: "which" }, bar.number ? say("bar", { number: bar.number }) : say("pickup")) : "", input, hints);
    let done = false;
    const close = (focus) => {
      if (done) return;
      done = true;
      part.close = null; part.editing = null;
      box.remove();
      button.hidden = false;
      button.classList.remove("typed");
      if (focus) button.focus();
    };
    const keep = (text, focus = true) => {
      const wanted = text.trim().replaceAll("♯", "#").replaceAll("♭", "b").replace(/\s*,\s*/g, " ");
      close(focus);
      if (wanted !== was || !bar.ink) sheet.change([{ key: ["changes", String(bar.number)], value: wanted || null }]);
    };
    part.close = () => { if (input.value.trim() !== (was === "-" ? "" : was)) keep(input.value, false); else close(false); };
    input.addEventListener("keydown", (event) => {
      if (event.key === "Enter") { event.preventDefault(); keep(input.value); step(1); }
      else if (event.key === "Escape") { event.stopPropagation(); close(true); }
      else if (event.key === "Tab" && !event.shiftKey && input.value.trim() !== was) { event.preventDefault(); keep(input.value); step(1); }
      event.stopPropagation();
    });
    box.addEventListener("focusout", (event) => { if (!done && !box.contains(event.relatedTarget)) part.close?.(); });
    if (narrow()) { // as wide as the paper, right below the bar, which stays in sight
      button.classList.add("typed");
      cell.parentElement.append(box);
      box.style.top = `${cell.offsetTop + cell.offsetHeight}px`;
    } else {
      button.hidden = true;
      cell.append(box);
    }
    part.editing = bar.number;
    input.focus();
    if (begun === null) input.select();
  }
  part.busy = () => part.editing !== null && document.activeElement?.id === "chord-field";

  const order = bars.map((bar) => bar.number);
  const chosen = () => bars[Math.max(order.indexOf(Number(document.activeElement?.dataset?.bar ?? sheet.here.bar)), 0)];
  function step(by, line = 0) {
    const at = Math.max(order.indexOf(Number(document.activeElement?.dataset?.bar ?? sheet.here.bar)), 0);
    let next = Math.min(Math.max(at + by, 0), order.length - 1);
    if (line) {
      const mine = bars[at], first = bars.findIndex((one) => one.line === mine.line);
      const target = bars.filter((one) => one.line === mine.line + line);
      if (!target.length) return false;
      next = bars.indexOf(target[Math.min(at - first, target.length - 1)]);
    }
    body.focusInside = true;
    select(order[next]);
    sheet.goto(order[next], { quiet: true });
    buttons.get(order[next]).focus();
    return true;
  }
  part.key = (event) => {
    const move = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    const inside = body.contains(document.activeElement), free = document.activeElement === document.body || document.activeElement === null || document.activeElement.id === "hear";
    if (!inside && !free) return false;
    if (move) {
      if (event.shiftKey && !move[1]) {
        const pair = sheet.here.around ?? [sheet.here.bar, sheet.here.bar];
        from ??= sheet.here.bar;
        const edge = pair[0] === from ? pair[1] : pair[0];
        const next = order[Math.min(Math.max(order.indexOf(edge) + move[0], 0), order.length - 1)];
        sheet.around([Math.min(from, next), Math.max(from, next)]);
        return true;
      }
      from = null;
      return step(...move);
    }
    if (/^[A-Ga-g]$/.test(event.key)) { edit(chosen(), event.key.toUpperCase()); return true; }
    if (inside && (event.key === "Enter" || event.key === "F2")) { edit(chosen()); return true; }
    if (inside && (event.key === "Delete" || event.key === "Backspace")) {
      const bar = chosen();
      if (bar.rubbed) sheet.change([{ key: ["changes", String(bar.number)], value: null }]);
      return true;
    }
    return false;
  };
  select(sheet.here.bar in Object.fromEntries(buttons) ? sheet.here.bar : order[0]);
  part.ringed(sheet.here.around);
  return part;
}
