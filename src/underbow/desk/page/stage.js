// What everything on the page stands on: the rail above, slips of paper laid over it, where one is.
import { ask, inTurn } from "./ask.js";
import { $, $$, el, signs, word } from "./dom.js";
import { say, WORDS } from "./words.js";

const rail = $("#rail"), over = $("#over");
export const state = { folder: "", now: null, next: null };

export function go(where) {
  if ((location.hash || "#") === where) dispatchEvent(new HashChangeEvent("hashchange"));
  else location.hash = where;
}

export function leave() { over.replaceChildren(); document.body.classList.remove("covered"); over.back?.focus?.(); over.back = null; }

// Something laid over the stand: a slip of paper. Escape or pressing beside it puts it away.
export function lay(label, ...content) {
  over.back = document.activeElement;
  const slip = el("div", { class: "slip", role: "dialog", "aria-modal": "true", "aria-label": label, tabindex: "-1" }, content);
  over.replaceChildren(el("div", { class: "beside", onclick: leave }), slip);
  document.body.classList.add("covered");
  (slip.querySelector("input, textarea, button, a") ?? slip).focus();
  slip.addEventListener("keydown", (event) => {
    if (event.key === "Escape") { event.stopPropagation(); leave(); }
    if (event.key !== "Tab") return;
    const all = $$("a[href], button, input, select, textarea", slip).filter((one) => !one.disabled && one.getClientRects().length);
    const end = event.shiftKey ? all[0] : all.at(-1);
    if (document.activeElement === end) { event.preventDefault(); (event.shiftKey ? all.at(-1) : all[0])?.focus(); }
  });
  // What had the focus may be replaced by what came of it: the keys stay on the slip.
  new MutationObserver(() => { if (slip.isConnected && !slip.contains(document.activeElement)) slip.focus(); }).observe(slip, { childList: true, subtree: true });
  return slip;
}

// Does what leaves the sheet; where something on it isn't saved, only when the teacher says so.
export async function parting(go) {
  await inTurn(() => {}); // what is being saved now
  const sheet = state.now, parts = sheet?.unsaved ?? [];
  if (!parts.length) return go();
  const away = () => { leave(); sheet.unkept = []; return go(); };
  const again = async () => { leave(); await sheet.keepAll(); if (!sheet.unsaved.length) go(); };
  return lay(say("unsaved"), el("h2", {}, say("unsaved")), el("p", {}, say("unsaved_how", { parts: parts.join(", ") })),
    el("p", {}, el("button", { type: "button", class: "press", id: "try-again", onclick: again }, say("try_again")),
      word(say("stay"), leave, { id: "stay" }), " ", word(say("lose"), away, { id: "lose" })));
}

export function showRail(here, own = []) {
  document.title = here ? `${here} · ${say("app")}` : `${say("sheets_in", { folder: state.folder })} · ${say("app")}`;
  rail.replaceChildren(
    el("nav", { "aria-label": say("sheets_in", { folder: state.folder }) },
      here ? [el("a", { href: "#", id: "to-shelf" }, say("sheets_in", { folder: state.folder })), el("span", { "aria-hidden": "true" }, " / "),
        el("b", { id: "here", dir: "auto" }, here)] : el("b", {}, say("sheets_in", { folder: state.folder }))),
    el("p", { class: "quiet" }, own, word(say("keys"), showKeys, { title: "?" }), word(say("close"), () => parting(close), { id: "close" })),
  );
}

export function showKeys() {
  lay(say("keys_title"), el("h2", {}, say("keys_title")),
    signs(WORDS.keys_list), el("p", {}, word(say("put_down"), leave)));
}

// Beside a tune that is being written.
export const letters = () => el("details", { class: "letters" }, el("summary", {}, say("letters")), signs(WORDS.letters_list));

async function close() {
  await inTurn(() => ask("/close", {})).catch(() => {});
  state.now?.halt?.();
  document.body.replaceChildren(el("main", { id: "closed" }, el("p", {}, say("closed"))));
}
