// The page: presses and keys on one side, sound and picture on the other.
const {words, head, mixes, ...data} = JSON.parse($("timeline").textContent);
const sound = new Sound(head);
const view = new View(data, words);
const TO_THE_EYE = 0.012;  // seconds from drawing to seeing: a screen shows what is drawn now a picture later
const REPEATS = ["off", "pair", "section"];
let repeat = "off";
let mix = 0;
let opened = null;      // the mix that is decoded or on its way: {mix, music}
let busy = false;

// --- sound ---

function music(wanted) {
  if (opened?.mix !== wanted) opened = {mix: wanted, music: sound.open($(`sound-${wanted}`).textContent)};
  return opened.music;
}

async function toggle() {
  if (busy) return;
  if (sound.playing) {
    sound.pause();
    refresh();
    return told(view.said(timeOf(sound.place)));
  }
  busy = true;
  try {
    const awake = sound.wake();
    tell(words.opening);
    sound.music = await music(mix);
    await awake;
    if (sound.place >= head.end - 0.05) sound.place = 0;
    if (repeat !== "off") sound.loop = stretch(sound.place);
    sound.play();
    told("");
    stayAwake();
    requestAnimationFrame(step);
  } catch {
    tell(words.failed);
  } finally {
    busy = false;
    refresh();
  }
}

async function choose(wanted) {
  mix = wanted;
  if (!sound.music) return void music(wanted).catch(() => {});
  try {
    const next = await music(wanted);
    if (mix === wanted) sound.swap(next);
  } catch {
    tell(words.failed);
  }
}

// Keep a phone's screen on while it plays, where that can be had.
async function stayAwake() {
  try {
    const lock = await navigator.wakeLock.request("screen");
    const check = setInterval(() => { if (!sound.playing) { lock.release(); clearInterval(check); } }, 1000);
  } catch { /* then it goes dark as it always does */ }
}

// --- places ---

const timeOf = (seconds) => Math.round(seconds * 1e5) / 100;  // milliseconds, to the hundredth as the timeline has them
const barAt = (seconds) => lastAt(data.bars, timeOf(seconds));
const barStart = (bar) => (data.bars[bar]?.[0] ?? data.end) / 1000;

// What is repeated at a place: a pair of bars counted from its section's beginning, or the section, within its pass.
function stretch(seconds) {
  if (repeat === "off") return null;
  const bar = Math.max(barAt(seconds), 0);
  const [, pass, , section] = data.bars[bar];
  const [, first, bars] = data.sections[section];
  const begins = data.passes[pass][4] + first;
  const into = repeat === "pair" ? Math.floor((bar - begins) / 2) * 2 : 0;
  const long = repeat === "pair" ? Math.min(2, bars - into) : bars;
  const from = begins + into;
  let to = from + long;
  while (to > from + 1 && data.bars[to - 1][1] !== pass) to -= 1;
  return [barStart(from), barStart(to)];
}

function go(seconds, loop = stretch(seconds)) {
  sound.loop = loop;
  sound.go(seconds);
  refresh();
  if (!sound.playing) told(view.said(timeOf(sound.place)));
}

function byBars(steps) {
  const bar = barAt(sound.heard());
  go(barStart(Math.min(Math.max(bar + steps, 0), data.bars.length - 1)));
}

function byPasses(steps) {
  const pass = Math.max(lastAt(data.passes, timeOf(sound.heard())), 0) + steps;
  if (data.passes[pass]) toPass(pass);
}

// A pass begins with its pickup, but where something is repeated with its first whole bar.
function toPass(pass) {
  const [start, , , , bar] = data.passes[pass];
  go(repeat === "off" ? start / 1000 : barStart(bar));
}

function nextRepeat() {
  repeat = REPEATS[(REPEATS.indexOf(repeat) + 1) % REPEATS.length];
  const loop = stretch(sound.heard());
  if (sound.playing) sound.setLoop(loop); else sound.loop = loop;
  refresh();
  told(`${words.repeat}: ${words[`repeat_${repeat}`]}`);
}

// --- picture ---

function refresh() {
  const place = sound.heard(TO_THE_EYE);
  view.show(timeOf(place), sound.loop?.map(timeOf) ?? null);
  document.body.classList.toggle("playing", sound.playing);
  $("play-word").textContent = sound.playing ? words.pause : words.play;
  $("repeat-word").textContent = words[`repeat_${repeat}`];
  $("repeat").classList.toggle("set", repeat !== "off");
  if (document.activeElement !== $("place") || sound.playing) $("place").value = place;
  const bar = barAt(place);
  view.change("said", `${bar}`, () => $("place").setAttribute("aria-valuetext", view.said(timeOf(place))));
}

function step() {
  refresh();
  if (!sound.playing) return;
  if (!sound.run.loop && sound.heard() >= head.end - 0.01) {
    sound.pause();
    sound.place = 0;
    return refresh();
  }
  requestAnimationFrame(step);
}

function tell(text) { $("told").textContent = text; $("told").classList.add("seen"); }
function told(text) { $("told").textContent = text; $("told").classList.remove("seen"); }

// --- presses ---

function build() {
  const counts = data.passes.flatMap((pass) => [pass[2], pass[3]]);
  const [slow, fast] = [Math.min(...counts), Math.max(...counts)];
  $("passes").querySelector("ol").append(...data.passes.map(([start, , from, to], i) => {
    const item = document.createElement("li");
    const button = item.appendChild(document.createElement("button"));
    button.type = "button";
    for (const [tag, text] of [["b", i + 1], ["span", Math.round(to)]]) {
      const seen = button.appendChild(document.createElement(tag));
      seen.textContent = text;
      seen.setAttribute("aria-hidden", "true");
    }
    const said = button.appendChild(document.createElement("span"));
    said.className = "unseen";
    said.textContent = fill(words.pass_said, {number: i + 1, tempo: view.tempo(i, start)});
    button.style.setProperty("--up", fast > slow ? (from - slow) / (fast - slow) : 0);
    button.addEventListener("click", () => toPass(i));
    return item;
  }));
  $("mixes").append(...mixes.map(([name, about], i) => {
    const label = document.createElement("label");
    const input = label.appendChild(document.createElement("input"));
    Object.assign(input, {type: "radio", name: "mix", value: i, checked: i === 0});
    input.addEventListener("change", () => choose(i));
    const seen = label.appendChild(document.createElement("span"));
    seen.appendChild(document.createElement("b")).textContent = name;
    if (about) seen.append(" ", about);
    return label;
  }));
  $("place").max = head.end;
  $("eye-now").textContent = fill(words.eye_value, {number: 0});
}

function goToMeasure(event) {
  const {clientX: x, clientY: y, currentTarget} = event;
  const far = (box) => Math.max(box.top - y, y - box.bottom, 0);
  const [nearest] = [...currentTarget.querySelectorAll("[data-measure] .staff")]
    .map((staff) => ({measure: staff.closest("[data-measure]").dataset.measure, box: staff.getBoundingClientRect()}))
    .filter(({box}) => box.left <= x && x < box.right && far(box) < 40)
    .sort((a, b) => far(a.box) - far(b.box));
  if (!nearest) return;
  const {measure} = nearest;
  const here = timeOf(sound.heard());
  const pass = Math.max(lastAt(data.passes, here), 0);
  const found = data.notes.find(([start, m]) => String(m) === measure && start >= data.passes[pass][0]);
  if (found) go(found[0] / 1000);
}

function byEye(step) {
  sound.delay = Math.min(Math.max(sound.delay + step, 0), 0.6);
  $("eye-now").textContent = fill(words.eye_value, {number: Math.round(sound.delay * 1000)});
}

build();
$("play").addEventListener("click", toggle);
$("stage").addEventListener("click", toggle);
$("back").addEventListener("click", () => byBars(-1));
$("on").addEventListener("click", () => byBars(1));
$("repeat").addEventListener("click", nextRepeat);
$("place").addEventListener("input", (event) => go(Number(event.target.value)));
$("eye-less").addEventListener("click", () => byEye(-0.02));
$("eye-more").addEventListener("click", () => byEye(0.02));
document.querySelectorAll(".music").forEach((box) => box.addEventListener("click", goToMeasure));
window.addEventListener("resize", () => { view.shown.measure = undefined; refresh(); });
document.addEventListener("keydown", (event) => {
  const {target, key} = event;
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  const at = target.closest("button, summary, input")?.type ?? "";
  const arrow = {ArrowLeft: -1, ArrowRight: 1}[key];
  if (key === " " && (at === "" || at === "range") && target.tagName !== "SUMMARY") toggle();
  else if (arrow && at !== "radio") (event.shiftKey ? byPasses : byBars)(arrow);
  else return;
  event.preventDefault();
});
refresh();
music(0).catch(() => {});
