// A tune that nobody has written down yet: from a recording of it, brought or made here, to a draft on the stand.
import { ask, send } from "./ask.js";
import { el, word } from "./dom.js";
import { beat, meter, say } from "./words.js";
import { go, lay, leave, state } from "./stage.js";
import { bring } from "./melody.js";
import { SOUNDS, alone, save, tooLarge } from "./record.js";

const METERS = ["4/4", "C|", "2/4", "6/8", "9/8", "12/8", "3/4", "3/2"];

export function writeDown(dropped) {
  const wrong = el("p", { class: "wrong", role: "alert" });
  const beats = el("select", { class: "line", "aria-label": say("meter"), id: "written-meter" }, el("option", { value: "" }, say("meter_found")), METERS.map((one) => el("option", { value: one }, meter(one))));
  const take = (file, recorded = false) => { if (!tooLarge(file)) write(file, beats.value, recorded); };
  const file = el("input", { type: "file", accept: SOUNDS, "aria-label": say("written_file"), id: "written-file" });
  file.addEventListener("change", () => { if (file.files[0]) take(file.files[0]); });
  let taking = null;
  const begin = el("button", { type: "button", class: "press plain", id: "record-written", onclick: async () => {
    wrong.textContent = "";
    if (taking) { taking.done(); return; }
    begin.disabled = true;
    const found = await alone((sound) => take(sound, true), () => begin.isConnected);
    begin.disabled = false;
    if (typeof found === "string") { wrong.textContent = found; return; }
    taking = found;
    begin.replaceChildren("● ", say("record_stop"));
    begin.classList.add("recording");
  } }, say("record_tune"));
  lay(say("begin_recording"), el("h2", {}, say("begin_recording")), el("p", {}, say("written_how")),
    el("p", {}, el("label", {}, `${say("meter")} `, beats)),
    dropped ? el("p", {}, el("button", { type: "button", class: "press", id: "write-it", onclick: () => take(dropped) }, say("write_it", { file: dropped.name })))
      : [el("p", { class: "above" }, el("span", { class: "quiet" }, say("written_file")), file), el("p", {}, begin)],
    wrong, el("p", { class: "care" }, say("record_private")), el("p", {}, word(say("never_mind"), () => { taking?.drop(); leave(); })));
}

async function write(file, beats, recorded) {
  const slip = lay(say("begin_recording"), el("h2", {}, say("begin_recording")), el("p", { role: "status" }, say("writing_down")), el("progress", { "aria-label": say("writing_down") }));
  const failed = (why, kept) => slip.replaceChildren(el("h2", {}, say("begin_recording")), el("p", { class: "wrong", role: "alert" }, why),
    kept ? el("p", { class: "quiet" }, say("recording_kept", { file: kept })) : recorded ? save(file) : "", el("p", {}, word(say("put_down"), leave)));
  let found;
  try { found = await send(`/written?said=${encodeURIComponent(JSON.stringify({ recorded, meter: beats }))}`, file); } catch (fault) { failed(fault.message); return; }
  const { listening, kept } = found;
  const drop = () => ask(`/listening/${listening}/stop`, {}).catch(() => {});
  slip.append(el("p", {}, word(say("stop"), () => { news.close(); drop(); leave(); }, { id: "stop-listening" })));
  const news = new EventSource(`/listening/${listening}/progress`);
  news.onmessage = (event) => {
    const now = JSON.parse(event.data);
    if (!slip.isConnected) { news.close(); drop(); return; }
    if (now.state === "making") return;
    news.close();
    if (now.state === "written") ready(now); else failed(now.state === "stopped" ? say("listening_stopped") : now.what, kept);
  };
  news.onerror = () => { if (news.readyState === EventSource.CLOSED) failed(say("gone"), kept); };

  function ready(now) {
    const wrong = el("p", { class: "wrong", role: "alert" });
    const title = el("input", { class: "line ink large", value: recorded ? "" : now.title, "aria-label": say("title"), placeholder: say("untitled"), maxlength: 200, autocomplete: "off", id: "written-title", dir: "auto" });
    const plays = el("input", { type: "checkbox", id: "written-plays" });
    const put = async () => {
      try {
        const { name } = await ask("/sheets", { written: listening, title: title.value.trim() || say("untitled") });
        leave();
        if (plays.checked) state.next = (sheet) => bring(sheet, kept ? new File([file], kept) : file);
        go(`#sheet/${name.split("/").map(encodeURIComponent).join("/")}`);
      } catch (fault) { wrong.textContent = fault.message; }
    };
    title.addEventListener("keydown", (event) => { if (event.key === "Enter") put(); });
    slip.replaceChildren(el("h2", {}, say("begin_recording")), el("p", { role: "status" }, say("written_ready")),
      el("p", { class: "found" }, [now.key, meter(now.meter), now.tempo ? say("written_tempo", { beat: beat(now.beat), tempo: now.tempo }) : ""].filter(Boolean).join(" · ")),
      el("ul", { class: "doubts" }, now.told.map((text) => el("li", {}, text))),
      kept ? el("p", { class: "quiet" }, say("recording_kept", { file: kept })) : "",
      el("p", {}, el("label", { class: "above" }, say("title"), title)),
      el("p", {}, el("label", {}, plays, ` ${say("written_plays")}`)), wrong,
      el("p", {}, el("button", { type: "button", class: "press", id: "put-written", onclick: put }, say("to_the_stand")), word(say("never_mind"), leave)));
    title.focus();
  }
}
