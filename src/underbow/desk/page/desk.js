// The desk: shelf or sheet on the stand, and the keys.
import { inTurn } from "./ask.js";
import { $, el, tell, typing } from "./dom.js";
import { say } from "./words.js";
import { go, leave, parting, showKeys, showRail, state } from "./stage.js";
import { showShelf } from "./shelf.js";
import { showSheet } from "./sheet.js";

const stand = $("#stand"), dock = $("#dock");

let shown = ""; // the address of what is on the stand

// Another address was asked for; until it may be left, the sheet stays where it is.
async function route() {
  const wanted = location.hash;
  state.now?.settle?.();
  await inTurn(() => {}); // what was changed is in the folder first
  if (location.hash !== wanted) return;
  if (wanted !== shown && state.now?.unsaved?.length) {
    history.replaceState(null, "", shown);
    parting(() => go(wanted || "#"));
    return;
  }
  shown = wanted;
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
    const { next } = state;
    state.next = null;
    if (sheet) next?.(state.now);
  } catch (fault) {
    stand.replaceChildren(el("p", { class: "wait" }, fault.message));
    showRail(sheet ? "…" : "");
  }
}

addEventListener("hashchange", route);
addEventListener("beforeunload", (event) => { if (state.now?.settle?.() || state.now?.unsaved?.length) event.preventDefault(); });
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
