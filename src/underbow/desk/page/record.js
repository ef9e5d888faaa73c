// Recording oneself while the track plays, or handing in a recording: judged at once. How late this machine hears is tested once.
import { send, path } from "./ask.js";
import { $, el, tell, word } from "./dom.js";
import { beat, say } from "./words.js";
import { lay, leave } from "./stage.js";
import { remembering, showHistory } from "./history.js";
import { Take, refusal, wav } from "./take.js";

const MOST = 64e6, LISTENER = "/page/listener.js", YEAR = 31536000;
export const SOUNDS = ".wav,.flac,.ogg,.mp3,.m4a,.webm,.aif,.aiff,.opus,.aac,.mp4,.3gp,.oga";
export const isSound = (file) => SOUNDS.split(",").some((ending) => file.name.toLowerCase().endsWith(ending));

// Kept as a cookie: the desk's address has another port each time, and what a browser keeps for an address would be gone.
const delay = () => { const found = document.cookie.match(/(?:^|; )underbow-delay=(-?\d+)/); return found ? Number(found[1]) / 1000 : null; };
const keepDelay = (seconds) => { document.cookie = `underbow-delay=${Math.round(1000 * seconds)}; path=/; max-age=${YEAR}; SameSite=Strict`; };

export const tooLarge = (file) => { if (file.size > MOST) tell(say("too_large", { file: file.name })); return file.size > MOST; };
// What was recorded and couldn't be handed in is all there is of it.
export const save = (file) => el("p", {}, el("a", { href: URL.createObjectURL(file), download: file.name, class: "made save" }, say("save_recording")));

const said = (fault) => (fault instanceof DOMException ? say(refusal(fault)) : fault.message === "silent" ? say("no_sound") : fault.message);

export function record(sheet) {
  const wrong = el("p", { class: "wrong", role: "alert" });
  const late = el("p", { class: "quiet", role: "status" });
  const show = () => late.replaceChildren(delay() === null ? say("delay_unknown") : say("delay_known", { ms: Math.round(1000 * delay()) }), " ",
    word(say(delay() === null ? "delay_test" : "delay_again"), test, { id: "test-delay" }));
  async function test() {
    wrong.textContent = "";
    late.textContent = say("delay_how");
    try {
      sheet.hearing.halt();
      await sheet.hearing.ready();
      const found = await Take.delay(sheet.hearing.context, LISTENER);
      if (found === null) wrong.textContent = say("delay_failed"); else keepDelay(found);
    } catch (fault) { wrong.textContent = said(fault); }
    show();
    $("#test-delay")?.focus();
  }
  const file = el("input", { type: "file", accept: SOUNDS, "aria-label": say("record_file"), id: "take-file" });
  file.addEventListener("change", () => { if (file.files[0]) handIn(sheet, file.files[0]); });
  show();
  const begin = el("button", { type: "button", class: "press", id: "begin-take", onclick: async () => {
    begin.disabled = true;
    wrong.textContent = await start(sheet, { done: (sound, how) => handIn(sheet, sound, how) }) ?? "";
    begin.disabled = false;
  } }, say("record_begin"));
  lay(say("record_title"), el("h2", {}, say("record_title")), el("p", {}, say("record_how")), el("p", { class: "care" }, say("record_private")), el("div", {}, late), wrong,
    el("p", {}, begin, word(say("never_mind"), leave)), el("p", { class: "above" }, el("span", { class: "quiet" }, say("record_file")), file),
    el("p", {}, word(say("history_show"), () => showHistory(sheet), { id: "show-history" })));
  begin.focus();
}

// Record while it plays: from where one is, or the whole tune; what comes of it is handed on. Gives why it can't be, in words.
export async function start(sheet, { levels = null, whole = false, done }) {
  const { hearing } = sheet;
  let take;
  try {
    hearing.halt();
    await hearing.ready();
    take = await new Take(hearing.context, LISTENER).open();
  } catch (fault) { return said(fault); }
  if (sheet.closed || sheet.recording) { take.close(); return null; } // it took long to be allowed, and nobody waits any more
  leave();
  sheet.around(null);
  const { first_bar, last_bar } = sheet.view.head, round = whole ? [first_bar, last_bar] : null; // at one tempo until it is stopped
  if (whole) Object.assign(sheet.here, { bar: first_bar, time: 1 });
  const { bar, time, pass } = sheet.from ?? sheet.here;
  const mine = { take, stream: null, levels, done: () => finish(sheet, mine, done) };
  sheet.recording = mine;
  take.onfull = mine.done;
  if (levels) hearing.stand(levels);
  try {
    await hearing.start(sheet.name, { bar, time, pass, around: round, counted: true });
    if (!hearing.playing) throw new Error(say("no_sound"));
    mine.stream = hearing.takes[0];
  } catch (fault) {
    take.close();
    if (sheet.recording === mine) sheet.recording = null;
    tell(said(fault));
  }
  sheet.dock.refresh();
  return null;
}

// Record what is played alone, without a sheet; gives how it is ended or dropped, or why it can't be, in words.
export async function alone(done, wanted) {
  let take;
  try {
    const context = new (window.AudioContext ?? window.webkitAudioContext)();
    if (context.state !== "running") await context.resume();
    take = await new Take(context, LISTENER).open();
  } catch (fault) { return said(fault); }
  const drop = () => { if (take.closed) return false; take.close(); take.context.close(); return true; };
  if (!wanted()) { drop(); return ""; }
  const look = setInterval(() => { if (!wanted()) { drop(); clearInterval(look); } }, 300); // the slip was put away
  const end = () => {
    clearInterval(look);
    if (!take.frames) { drop(); tell(say("mic_silent")); return; }
    const sound = new File([wav(take.from(), take.context.sampleRate)], "recording.wav");
    drop();
    done(sound);
  };
  take.onfull = end;
  return { done: end, drop: () => { clearInterval(look); drop(); } };
}

// The sound has ended, was stopped, or the sheet is left: what was recorded is handed on, once.
async function finish(sheet, { take, stream }, done) {
  if (sheet.recording?.take !== take) return;
  const line = stream?.line ?? null, levels = { ...sheet.hearing.levels };
  sheet.recording = null;
  sheet.hearing.halt();
  await new Promise((next) => setTimeout(next, 300)); // what is still on its way from the microphone
  take.close();
  sheet.dock.refresh();
  if (!take.frames) { tell(say("mic_silent")); return; }
  const measured = delay();
  const at = measured === null || line === null ? {} : { bar: line.bar, time: line.time, pass: line.pass, at: line.when + measured - take.start };
  const sound = new File([wav(take.from(), take.context.sampleRate)], "take.wav");
  take.parts = []; // minutes of samples, of which the file is the copy
  await done(sound, { recorded: true, levels, ...at });
}

export async function handIn(sheet, file, how = {}) {
  if (tooLarge(file)) return;
  const slip = lay(say("heard_title"), el("h2", {}, say("heard_title")), el("p", { role: "status" }, say("listening")), el("progress", { "aria-label": say("listening") }));
  let found;
  try { found = await send(`/sheet/${path(sheet.name)}/takes?said=${encodeURIComponent(JSON.stringify({ ...how, made: file.lastModified }))}`, file); }
  catch (fault) {
    slip.replaceChildren(el("h2", {}, say("heard_title")), el("p", { class: "wrong", role: "alert" }, fault.message), how.recorded && !fault.status ? save(file) : "", el("p", {}, word(say("put_down"), leave)));
    return;
  }
  const off = (ms) => (ms === null ? say("heard_none") : Math.abs(ms) < 3 ? say("heard_even") : say(ms > 0 ? "heard_late" : "heard_early", { ms: Math.abs(Math.round(ms)) }));
  const round = ({ bars }) => {
    const numbers = (bars.match(/\d+/g) ?? []).map(Number);
    return numbers.length ? [" ", word(say("go_round_bars", { bars }), () => { leave(); sheet.goto(numbers[0]); sheet.around([numbers[0], numbers.at(-1)]); })] : "";
  };
  const page = found.page.split("/").at(-1);
  if (!slip.isConnected) { tell(say("heard_away", { page })); return; }
  slip.replaceChildren(el("h2", {}, say("heard_title")),
    found.why ? el("p", { role: "alert" }, found.why) : "",
    el("ol", { class: "advice" }, found.advice.map((one) => el("li", {}, one.text, round(one)))),
    el("ul", { class: "tempos" }, found.passes.map((one) => el("li", {}, say("heard_pass", { tempo: `${beat(one.beat)} = ${one.tempo}`, how: off(one.median_ms) })))),
    el("p", {}, el("a", { href: `/heard/${path(found.page)}`, target: "_blank", rel: "noopener", class: "made heard" }, say("heard_page"))),
    el("p", { class: "quiet" }, found.take ? say("heard_kept", { file: found.take.split("/").at(-1), page }) : say("heard_not_kept", { page })),
    remembering(sheet, found), el("p", { class: "quiet" }, say("heard_teacher")), el("p", {}, word(say("put_down"), leave)));
  $("a", slip)?.focus();
}
