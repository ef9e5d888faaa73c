// A recording of the tune itself: brought from a file or recorded here over a click, listened to, and put on the sheet.
import { ask, path, send } from "./ask.js";
import { el, tell, word } from "./dom.js";
import { say } from "./words.js";
import { lay, leave } from "./stage.js";
import { SOUNDS, handIn, save, start, tooLarge } from "./record.js";
import { look } from "./parts/playing.js";

const ALONE = { melody: null, backup: null, rhythm: null, drone: null, click: 0 };

// What was dropped on the sheet: the tune, or somebody playing along with it?
export function whatIsIt(sheet, file) {
  if (tooLarge(file)) return;
  lay(say("what_is", { file: file.name }), el("h2", { dir: "auto" }, say("what_is", { file: file.name })),
    el("p", {}, el("button", { type: "button", class: "press", id: "is-tune", onclick: () => bring(sheet, file) }, say("is_tune"))),
    el("p", { class: "quiet" }, say("is_tune_how")),
    el("p", {}, el("button", { type: "button", class: "press plain", id: "is-take", onclick: () => handIn(sheet, file) }, say("is_take"))),
    el("p", { class: "quiet" }, say("is_take_how")), el("p", {}, word(say("never_mind"), leave)));
}

export function bringRecording(sheet) {
  const wrong = el("p", { class: "wrong", role: "alert" });
  const file = el("input", { type: "file", accept: SOUNDS, "aria-label": say("recording_file"), id: "tune-file" });
  file.addEventListener("change", () => { if (file.files[0] && !tooLarge(file.files[0])) bring(sheet, file.files[0]); });
  const begin = el("button", { type: "button", class: "press plain", id: "record-tune", onclick: async () => {
    begin.disabled = true;
    wrong.textContent = await start(sheet, { levels: ALONE, whole: true, done: (sound) => bring(sheet, sound, true) }) ?? "";
    begin.disabled = false;
  } }, say("record_tune"));
  lay(say("recording_title"), el("h2", {}, say("recording_title")), el("p", {}, say("recording_how")),
    el("p", { class: "above" }, el("span", { class: "quiet" }, say("recording_file")), file),
    el("p", {}, begin), el("p", { class: "quiet" }, say("record_tune_how")), wrong,
    el("p", { class: "care" }, say("record_private")), el("p", {}, word(say("never_mind"), leave)));
}

// It is listened to first: what is another tune never gets onto the sheet.
export async function bring(sheet, file, recorded = false) {
  const slip = lay(say("recording_title"), el("h2", {}, say("recording_title")), el("p", { role: "status" }, say("laying")), el("progress", { max: 1, value: 0, "aria-label": say("laying") }));
  const failed = (why, kept) => slip.replaceChildren(el("h2", {}, say("recording_title")), el("p", { class: "wrong", role: "alert" }, why),
    kept ? el("p", { class: "quiet" }, say("recording_kept", { file: kept.split("/").at(-1) })) : recorded ? save(file) : "", el("p", {}, word(say("put_down"), leave)));
  let found;
  try { found = await send(`/sheet/${path(sheet.name)}/recordings?said=${encodeURIComponent(JSON.stringify({ recorded }))}`, file); }
  catch (fault) { failed(fault.message); return; }
  const { listening, kept } = found;
  const drop = () => ask(`/listening/${listening}/stop`, {}).catch(() => {});
  if (sheet.closed) { drop(); leave(); if (kept) tell(say("recording_kept", { file: kept.split("/").at(-1) })); return; }
  const stop = word(say("stop"), () => { news.close(); drop(); leave(); if (kept) tell(say("recording_kept", { file: kept.split("/").at(-1) })); }, { id: "stop-listening" });
  slip.append(el("p", {}, stop));
  const news = new EventSource(`/listening/${listening}/progress`);
  news.onmessage = (event) => {
    const now = JSON.parse(event.data), bar = slip.querySelector("progress");
    if (!slip.isConnected) { news.close(); drop(); return; }
    if (bar) bar.value = now.share;
    if (now.state === "making") return;
    news.close();
    if (now.state === "laid") ready(); else failed(now.state === "stopped" ? say("listening_stopped") : now.what, kept);
  };
  news.onerror = () => { if (news.readyState === EventSource.CLOSED) failed(say("gone"), kept); };

  function ready() {
    const by = el("input", { class: "line ink large", "aria-label": say("whose"), placeholder: say("whose_sample"), maxlength: 100, autocomplete: "off", id: "new-by", dir: "auto" });
    const put = async () => {
      button.disabled = true;
      leave();
      look();
      await sheet.ask("recording", { listening, by: by.value.trim() });
    };
    const button = el("button", { type: "button", class: "press", id: "put-recording", onclick: put }, say("recording_put"));
    by.addEventListener("keydown", (event) => { if (event.key === "Enter") put(); });
    slip.replaceChildren(el("h2", {}, say("recording_title")), el("p", { role: "status" }, say("recording_fits")),
      kept ? el("p", { class: "quiet" }, say("recording_kept", { file: kept.split("/").at(-1) })) : "",
      el("p", {}, el("label", { class: "above" }, say("whose"), by)), el("p", { class: "care" }, say("consent")),
      el("p", {}, button, word(say("never_mind"), () => { drop(); leave(); })));
    by.focus();
  }
}
