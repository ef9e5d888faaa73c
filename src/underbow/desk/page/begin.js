// Ways to begin, each with as little as can be: everything else is filled in.
import { ask, send } from "./ask.js";
import { $, el, tell, word } from "./dom.js";
import { say } from "./words.js";
import { go, lay, leave, letters } from "./stage.js";
import { isSound } from "./record.js";
import { writeDown } from "./written.js";

const open = (name) => { leave(); go(`#sheet/${name.split("/").map(encodeURIComponent).join("/")}`); };

async function begin(wanted, wrong) {
  try { open((await ask("/sheets", wanted)).name); } catch (fault) { wrong.textContent = fault.message; }
}

const METERS = ["4/4", "2/2", "2/4", "6/8", "9/8", "3/4", "12/8", "3/2"];

export function beginWith(way) {
  if (way === "recording") { writeDown(null); return; }
  const wrong = el("p", { class: "wrong", role: "alert" });
  if (way === "tune") {
    const text = el("textarea", { class: "abc", rows: 14, "aria-label": say("tune_here"), placeholder: say("tune_sample"), spellcheck: "false", id: "new-tune" });
    text.addEventListener("keydown", (event) => { if (event.key === "Enter" && (event.ctrlKey || event.metaKey)) begin({ abc: text.value }, wrong); });
    lay(say("begin_tune"), el("h2", {}, say("begin_tune")), el("p", { class: "quiet" }, say("begin_tune_how")), text, letters(), wrong,
      el("p", {}, el("button", { type: "button", class: "press", id: "to-the-stand", onclick: () => several(text.value, wrong) }, say("to_the_stand")), word(say("never_mind"), leave)));
  } else if (way === "chords") {
    const chords = el("input", { class: "line ink large", "aria-label": say("chords_here"), placeholder: say("chords_sample"), spellcheck: "false", autocomplete: "off", id: "new-chords" });
    const meter = el("select", { class: "line", "aria-label": say("meter") }, METERS.map((one) => el("option", { value: one }, one)));
    const done = () => begin({ chords: chords.value, meter: meter.value === "4/4" ? "" : meter.value }, wrong);
    chords.addEventListener("keydown", (event) => { if (event.key === "Enter") done(); });
    lay(say("begin_chords"), el("h2", {}, say("begin_chords")), el("p", { class: "quiet" }, say("begin_chords_how")),
      el("p", {}, el("label", { class: "above" }, say("chords_here"), chords)), el("p", {}, el("label", {}, say("meter"), " ", meter)), wrong,
      el("p", {}, el("button", { type: "button", class: "press", id: "to-the-stand", onclick: done }, say("to_the_stand")), word(say("never_mind"), leave)));
  } else {
    const file = el("input", { type: "file", accept: ".abc,.txt,.mid,.midi,.musicxml,.mxl,.xml", "aria-label": say("choose_file"), id: "new-book" });
    file.addEventListener("change", () => { if (file.files[0]) openBook(file.files[0], wrong); });
    lay(say("begin_book"), el("h2", {}, say("begin_book")), el("p", { class: "quiet" }, say("begin_book_how")), el("p", {}, file), wrong,
      el("p", {}, word(say("never_mind"), leave)));
  }
}

const PASTED = "tunes.abc";

// A text of several tunes is a tunebook: one of them is chosen.
function several(text, wrong) {
  if ((text.match(/^X:/gm) ?? []).length > 1) openBook(new File([text], PASTED), wrong, null, say("tunes_pasted"));
  else begin({ abc: text }, wrong);
}

export async function openBook(file, wrong, taken, heading = say("tunes_of", { name: file.name })) {
  try {
    const { book, tunes } = await send("/book", file);
    if (taken) { if (tunes.length === 1) taken(book, 0); else chooseTune(heading, book, tunes, taken); return; }
    if (tunes.length === 1) await begin({ book, tune: 0 }, wrong ?? { set textContent(text) { tell(text); } });
    else chooseTune(heading, book, tunes);
  } catch (fault) {
    const why = file.name === PASTED ? fault.message : `${file.name}: ${fault.message}`;
    if (wrong) wrong.textContent = why; else tell(why);
  }
}

async function beginAll(book, tunes, wrong) {
  try {
    const { names, problems } = await ask("/sheets", { book, tunes });
    if (names.length === 1 && !problems.length) { open(names[0]); return; }
    leave();
    go("#");
    tell([say("begun", { count: names.length }), ...problems].join("\n"));
  } catch (fault) { wrong.textContent = fault.message; }
}

const MOST = 300;

function chooseTune(heading, book, tunes, taken) {
  const wrong = el("p", { class: "wrong", role: "alert" });
  const list = el("ol", { class: "tunes" });
  const more = el("p", { class: "quiet" });
  const find = el("input", { type: "search", class: "find", "aria-label": say("find_tune"), placeholder: say("find_tune"), autocomplete: "off", spellcheck: "false", id: "find-tune" });
  const plain = (text) => text.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();
  const ticked = new Set(); // of the tunes that become sheets together
  const together = taken ? "" : el("button", { type: "button", class: "press", id: "to-the-shelf", disabled: true, onclick: () => beginAll(book, [...ticked].sort((a, b) => a - b), wrong) });
  const all = taken ? "" : word(say("tick_all"), () => { for (const box of list.querySelectorAll("input:not(:checked)")) box.click(); }, { id: "tick-all" });
  const tick = (number, title, at) => {
    const box = el("input", { type: "checkbox", checked: ticked.has(at), "aria-label": say("tick", { tune: `${number}  ${title || say("untitled")}` }), "data-tune": at });
    box.addEventListener("change", () => { if (box.checked) ticked.add(at); else ticked.delete(at); count(); });
    return box;
  };
  const count = () => { together.disabled = ticked.size === 0; together.textContent = ticked.size === 1 ? say("begin_one") : say("begin_several", { count: ticked.size }); };
  const take = (at) => { if (taken) { leave(); taken(book, at); } else begin({ book, tune: at }, wrong); };
  const fill = () => {
    const words = plain(find.value).split(/\s+/).filter(Boolean);
    const found = tunes.map((one, at) => [...one, at]).filter(([, title]) => words.every((w) => plain(title).includes(w)));
    list.replaceChildren(...found.slice(0, MOST).map(([number, title, at]) => el("li", {}, taken ? "" : tick(number, title, at), " ", word(`${number}  ${title || say("untitled")}`, () => take(at), { dir: "auto" }))));
    more.textContent = found.length > MOST ? say("more_tunes", { count: found.length - MOST }) : "";
  };
  find.addEventListener("input", fill);
  find.addEventListener("keydown", (event) => { if (event.key === "Enter") list.querySelector("button")?.click(); });
  fill();
  if (!taken) count();
  lay(heading, el("h2", { dir: "auto" }, heading), el("p", { class: "quiet" }, say(taken ? "choose_tune" : "choose_tunes")), find, list, more, wrong,
    el("p", {}, together, all, word(say("never_mind"), leave)));
}

export const dropped = (file) => (isSound(file) ? writeDown(file) : openBook(file));
export { $ };
