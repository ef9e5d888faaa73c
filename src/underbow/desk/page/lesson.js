// Making the lesson: progress that moves, can be stopped, and what came of it a click away.
import { ask, path } from "./ask.js";
import { $, choice, el, line, tell, word } from "./dom.js";
import { partTitle, say } from "./words.js";
import { lay, leave } from "./stage.js";

let paper = "a4", video = "";

export function makeLesson(sheets, title) {
  let called = title ?? "";
  const body = el("div", {});
  const name = line(called, { label: say("lesson_title"), sample: called, keep: (text) => { called = text; }, live: (text) => { called = text; }, id: "lesson-title" });
  name.dir = "auto";
  const wrong = el("p", { class: "wrong", role: "alert" });
  const begin = el("button", { type: "button", class: "press", id: "begin-lesson", onclick: () => start(sheets, called, body, wrong) }, say("make"));
  body.replaceChildren(
    el("p", {}, el("label", {}, `${say("lesson_title")} `, name)),
    el("p", {}, el("label", {}, `${say("paper")} `, choice(paper, [["a4", say("a4")], ["letter", say("letter")]], { label: say("paper"), keep: (value) => { paper = value; } }))),
    el("p", {}, el("label", {}, `${say("video")} `, choice(video, [["", say("video_none")], ["phone", say("video_phone")], ["screen", say("video_screen")]], { label: say("video"), keep: (value) => { video = value; } }))),
    wrong, el("p", {}, begin, word(say("never_mind"), leave)));
  lay(say("make"), el("h2", {}, sheets.length > 1 ? say("make_class") : say("make")), body, el("p", { class: "care" }, say("care")));
  begin.focus();
}

const FIELDS = { title: "title", key: "key", form: "played", bars: "only_bars" }; // of the heading, by what the sheet calls them

// What is wrong with a sheet, in the words of its own margin: where there are several, with its title.
function refusal(fault, several) {
  const rows = fault.problems.map(({ what, where, file }) => {
    const [name, field] = (where ?? "").split(".");
    const part = field ? say(FIELDS[field] ?? "heading") : partTitle(name);
    return part ? `${several ? `${file}, ` : ""}${part}: ${what}` : what;
  });
  return rows.join("\n") || fault.message;
}

async function start(sheets, title, body, wrong) {
  wrong.textContent = "";
  let lesson;
  try { ({ lesson } = await ask("/lessons", { sheets, title, paper, video })); } catch (fault) { wrong.textContent = refusal(fault, sheets.length > 1); return; }
  const bar = el("progress", { max: 1, value: 0, "aria-label": say("make") });
  const what = el("p", { role: "status", class: "quiet" });
  const stop = word(say("stop"), () => ask(`/lessons/${lesson}/stop`, {}), { id: "stop-lesson" });
  body.replaceChildren(bar, what, el("p", {}, stop));
  stop.focus();
  const news = new EventSource(`/lessons/${lesson}/progress`);
  news.onmessage = (event) => {
    const now = JSON.parse(event.data);
    bar.value = now.share;
    if (now.state === "making") { what.textContent = say("making", { what: now.what }); return; }
    news.close();
    if (!body.isConnected) tell(say(now.state, { what: now.what, place: now.place })); // the slip was put away meanwhile
    else if (now.state === "made") made(now, body);
    else body.replaceChildren(el("p", { role: "alert", class: now.state === "failed" ? "wrong" : "" }, say(now.state, { what: now.what })), el("p", {}, word(say("put_down"), leave)));
  };
  news.onerror = () => { if (news.readyState === EventSource.CLOSED) body.replaceChildren(el("p", { role: "alert", class: "wrong" }, say("gone"))); };
}

const size = (bytes) => (bytes > 1e6 ? `${(bytes / 1e6).toFixed(1)} MB` : `${Math.ceil(bytes / 1000)} kB`);

function made(now, body) {
  const words = { contents: "open_contents", zip: "open_zip", handout: "open_paper", page: "open_page", video: "open_video" };
  const several = new Set(now.files.map((file) => file.sheet).filter(Boolean)).size > 1;
  const kept = (file) => file.kind === "zip" || file.kind === "video";  // to be sent on, not looked at here
  const link = (file) => el("li", {}, el("a", { href: `/made/${path(file.path)}`, target: kept(file) ? null : "_blank", rel: "noopener", download: kept(file) ? "" : null, class: `made ${file.kind}` },
    say(words[file.kind])), el("span", { class: "quiet", dir: "auto" }, ` ${several && file.sheet ? file.sheet : ""} ${size(file.bytes)}`));
  const order = { contents: -1, handout: 0, page: 1, video: 2, zip: 3 };
  body.replaceChildren(el("p", { role: "status", dir: "auto" }, say("made", { place: now.place })),
    el("ul", { class: "made" }, [...now.files].sort((a, b) => order[a.kind] - order[b.kind]).map(link)),
    now.remarks.map((what) => el("p", { class: "wrong", role: "note" }, what)), el("p", {}, word(say("put_down"), leave)));
  $("a", body)?.focus();
}
