// The desk: shelf or sheet on the stand, the rail above, the keys.
import { ask, inTurn } from "./ask.js";
import { $, $$, el, tell, typing, word } from "./dom.js";
import { say, WORDS } from "./words.js";
import { showShelf } from "./shelf.js";
import { showSheet } from "./sheet.js";

const rail = $("#rail"), stand = $("#stand"), dock = $("#dock"), over = $("#over");
export const state = { folder: "", now: null };

export function go(where) { if (location.hash === where) route(); else location.hash = where; }

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
  return slip;
}

export function showRail(here, own = []) {
  document.title = here ? `${here} · ${say("app")}` : `${say("sheets_in", { folder: state.folder })} · ${say("app")}`;
  rail.replaceChildren(
    el("nav", { "aria-label": say("sheets_in", { folder: state.folder }) },
      here ? [el("a", { href: "#", id: "to-shelf" }, say("sheets_in", { folder: state.folder })), el("span", { "aria-hidden": "true" }, " / "),
        el("b", { id: "here", dir: "auto" }, here)] : el("b", {}, say("sheets_in", { folder: state.folder }))),
    el("p", { class: "quiet" }, own, word(say("keys"), showKeys, { title: "?" }), word(say("close"), close, { id: "close" })),
  );
}

function showKeys() {
  lay(say("keys_title"), el("h2", {}, say("keys_title")),
    el("dl", { class: "keys" }, WORDS.keys_list.map(([key, what]) => [el("dt", {}, key), el("dd", {}, what)])),
    el("p", {}, word(say("put_down"), leave)));
}

async function close() {
  await inTurn(() => ask("/close", {})).catch(() => {});
  state.now?.halt?.();
  document.body.replaceChildren(el("main", { id: "closed" }, el("p", {}, say("closed"))));
}

async function route() {
  leave();
  state.now?.halt?.();
  state.now = null;
  dock.replaceChildren();
  dock.className = "";
  const sheet = location.hash.match(/^#sheet\/(.+)$/);
  stand.className = "";
  stand.replaceChildren(el("p", { class: "wait" }, say("loading")));
  try {
    if (sheet) state.now = await showSheet(sheet[1].split("/").map(decodeURIComponent).join("/"));
    else state.now = await showShelf();
  } catch (fault) {
    stand.replaceChildren(el("p", { class: "wait" }, fault.message));
    showRail(sheet ? "…" : "");
  }
}

addEventListener("hashchange", route);
addEventListener("keydown", (event) => {
  if (document.body.classList.contains("covered")) return;
  const command = event.ctrlKey || event.metaKey;
  if (command && !event.altKey && /^[zy]$/i.test(event.key) && !typing(event.target)) {
    event.preventDefault();
    state.now?.take?.(event.key.toLowerCase() === "y" || event.shiftKey ? "forth" : "back");
    return;
  }
  if (event.altKey && !command) {
    if (/^[s]$/i.test(event.key)) { event.preventDefault(); go("#"); return; }
    if (state.now?.jump?.(event.key.toLowerCase())) event.preventDefault();
    return;
  }
  if (command || typing(event.target)) return;
  if (event.key === "?") { event.preventDefault(); showKeys(); return; }
  if (state.now?.key?.(event)) event.preventDefault();
});
addEventListener("dragover", (event) => {
  if (![...event.dataTransfer?.types ?? []].includes("Files")) return;
  event.preventDefault();
  document.body.classList.add("dropping");
});
addEventListener("dragleave", (event) => { if (!event.relatedTarget) document.body.classList.remove("dropping"); });
addEventListener("drop", (event) => {
  document.body.classList.remove("dropping");
  const file = event.dataTransfer?.files?.[0];
  if (!file) return;
  event.preventDefault();
  state.now?.dropped?.(file);
});
addEventListener("unhandledrejection", (event) => { if (event.reason?.name !== "AbortError") tell(event.reason?.message ?? ""); });
route();
