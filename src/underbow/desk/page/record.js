// Recording oneself while the track plays, or handing in a recording: judged at once. How late this machine hears is tested once.
import { send, path } from "./ask.js";
import { $, el, tell, word } from "./dom.js";
import { beat, say } from "./words.js";
import { lay, leave } from "./stage.js";
import { Take, refusal, wav } from "./take.js";

const MOST = 64e6, LISTENER = "/page/listener.js", YEAR = 31536000;
const SOUNDS = ".wav,.flac,.ogg,.mp3,.m4a,.webm,.aif,.aiff,.opus,.aac,.mp4,.3gp,.oga";
export const isSound = (file) => SOUNDS.split(",").some((ending) => file.name.toLowerCase().endsWith(ending));

// Kept as a cookie: the desk's address has another port each time, and what a browser keeps for an address would be gone.
const delay = () => { const found = document.cookie.match(/(?:^|; )underbow-delay=(-?\d+)/); return found ? Number(found[1]) / 1000 : null; };
const keepDelay = (seconds) => { document.cookie = `underbow-delay=${Math.round(1000 * seconds)}; path=/; max-age=${YEAR}; SameSite=Strict`; };

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
    try { await start(sheet); } catch (fault) { wrong.textContent = said(fault); }
  } }, say("record_begin"));
  lay(say("record_title"), el("h2", {}, say("record_title")), el("p", {}, say("record_how")), el("p", { class: "care" }, say("record_private")), el("div", {}, late), wrong,
    el("p", {}, begin, word(say("never_mind"), leave)), el("p", { class: "above" }, el("span", { class: "quiet" }, say("record_file")), file));
  begin.focus();
}

async function start(sheet) {
  const { hearing } = sheet;
  hearing.halt();
  await hearing.ready();
  const take = await new Take(hearing.context, LISTENER).open();
  leave();
  sheet.around(null);
  const { bar, time, pass } = sheet.here;
  sheet.recording = { take, stream: null, done: () => finish(sheet) };
  take.onfull = () => finish(sheet);
  try {
    await hearing.start(sheet.name, { bar, time, pass, around: null, counted: true });
    if (!hearing.playing) throw new Error(say("no_sound"));
    sheet.recording.stream = hearing.takes[0];
  } catch (fault) {
    take.close();
    sheet.recording = null;
    tell(said(fault));
  }
  sheet.dock.refresh();
}

// The sound has ended, or was stopped: what was recorded is handed in.
async function finish(sheet) {
  const { take, stream } = sheet.recording, line = stream?.line ?? null;
  sheet.recording = null;
  sheet.hearing.halt();
  await new Promise((next) => setTimeout(next, 300)); // what is still on its way from the microphone
  take.close();
  sheet.dock.refresh();
  if (!take.frames) { tell(say("mic_silent")); return; }
  const measured = delay(), levels = { ...sheet.hearing.levels };
  const at = measured === null || line === null ? {} : { bar: line.bar, time: line.time, pass: line.pass, at: line.when + measured - take.start };
  await handIn(sheet, new File([wav(take.from(), take.context.sampleRate)], "take.wav"), { recorded: true, levels, ...at });
}

export async function handIn(sheet, file, how = {}) {
  if (file.size > MOST) { tell(say("too_large", { file: file.name })); return; }
  const slip = lay(say("heard_title"), el("h2", {}, say("heard_title")), el("p", { role: "status" }, say("listening")), el("progress", { "aria-label": say("listening") }));
  let found;
  try { found = await send(`/sheet/${path(sheet.name)}/takes?said=${encodeURIComponent(JSON.stringify(how))}`, file); }
  catch (fault) {
    slip.replaceChildren(el("h2", {}, say("heard_title")), el("p", { class: "wrong", role: "alert" }, fault.message), el("p", {}, word(say("put_down"), leave)));
    return;
  }
  const off = (ms) => (ms === null ? say("heard_none") : Math.abs(ms) < 3 ? say("heard_even") : say(ms > 0 ? "heard_late" : "heard_early", { ms: Math.abs(Math.round(ms)) }));
  const round = ({ bars }) => {
    const numbers = (bars.match(/\d+/g) ?? []).map(Number);
    return numbers.length ? [" ", word(say("go_round_bars", { bars }), () => { leave(); sheet.goto(numbers[0]); sheet.around([numbers[0], numbers.at(-1)]); })] : "";
  };
  const page = found.page.split("/").at(-1);
  slip.replaceChildren(el("h2", {}, say("heard_title")),
    found.why ? el("p", { role: "alert" }, found.why) : "",
    el("ol", { class: "advice" }, found.advice.map((one) => el("li", {}, one.text, round(one)))),
    el("ul", { class: "tempos" }, found.passes.map((one) => el("li", {}, say("heard_pass", { tempo: `${beat(one.beat)} = ${one.tempo}`, how: off(one.median_ms) })))),
    el("p", {}, el("a", { href: `/heard/${path(found.page)}`, target: "_blank", rel: "noopener", class: "made heard" }, say("heard_page"))),
    el("p", { class: "quiet" }, found.take ? say("heard_kept", { file: found.take.split("/").at(-1), page }) : say("heard_not_kept", { page })),
    el("p", { class: "quiet" }, say("heard_teacher")), el("p", {}, word(say("put_down"), leave)));
  $("a", slip)?.focus();
}
