// The page: presses and keys on one side, practice and picture on the other.
const {words, head, mixes, title, strings, ...data} = JSON.parse($("timeline").textContent);
const score = new Score(data, head.rate, head.strip);
const sound = new Sound(head, load);
const book = new Book(title);
const view = new View(data, words, score);
const practice = new Practice(score, sound, book, mixes);
const notation = new Notation(view, score, words);
const TO_THE_EYE = 0.012;  // seconds from drawing to seeing: a screen shows what is drawn now a picture later
const DISTANCES = [["near", 0], ["middle", -6], ["far", -12], ["out", null]];
const REST_AFTER = 25 * 60, RESTED = 5 * 60;  // seconds
let last = null;      // what was practised at the picture before: {what, tempo, stamp, leg}
let stopped = 0;      // when the sound last stopped

// --- sound ---

async function load(part, number) {
  const inside = $(`sound-${part}-${number}`);
  if (!inside) {
    const answer = await fetch(`${head.files}/${part}-${number}.mp3`);
    if (!answer.ok) throw new Error(answer.statusText);
    return answer.arrayBuffer();
  }
  const text = atob(inside.textContent.trim());
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i += 1) bytes[i] = text.charCodeAt(i);
  return bytes.buffer;
}

async function toggle() {
  if (practice.busy) return;
  if (practice.playing) {
    practice.pause();
    return told(view.said(practice.here));
  }
  if (Date.now() - stopped > RESTED * 1000) practice.played = 0;
  await practice.play();
  if (practice.playing) {
    stayAwake();
    requestAnimationFrame(step);
  }
}

// Keep a phone's screen on while it plays, where that can be had; a screen that was away must be asked for again.
let lock = null;
async function stayAwake() {
  if (!practice.playing || document.visibilityState !== "visible" || (lock && !lock.released)) return;
  try {
    lock = await navigator.wakeLock.request("screen");
    if (!practice.playing) lock.release();
  } catch { /* then it goes dark as it always does */ }
}

// --- what was practised ---

function practised() {
  const {way} = practice;
  if (practice.repeating && practice.loop) return spanSaid(practice.loop);
  return way.tempo ? words.log_tune : words.log_plan;
}

function note(leg) {
  const stamp = performance.now();
  if (last?.leg && practice.playing && leg) {
    const seconds = Math.min((stamp - last.stamp) / 1000, 2);
    const count = leg.tempo ?? Math.round(score.count(leg.pass, leg.from));
    const round = leg.kind === "music" && last.leg !== leg && last.leg.round !== undefined && leg.round > last.leg.round ? 1 : 0;
    book.add(practised(), view.tempoSaid(count), seconds, round);
    if (round) book.keep();
    practice.played += seconds;
    if (practice.played >= REST_AFTER) {
      practice.played = 0;
      tell(words.rest_now);
    }
  }
  last = {leg, stamp};
}

// --- picture ---

function refresh() {
  const {time, leg, waiting, over} = practice.now(TO_THE_EYE);
  if (over) {
    sound.stop();
    practice.here = score.first;
    return refresh();
  }
  const tempo = leg ? leg.tempo : practice.tempo;
  view.show(time, {loop: practice.span, tempo, round: practice.span ? leg?.round ?? 1 : 0, waiting});
  view.change("playing", practice.playing, (on) => {
    document.body.classList.toggle("playing", on);
    if (!on) {
      stopped = Date.now();
      lock?.release().catch(() => {});
      showLog();
    }
  });
  view.write($("play-word"), practice.playing ? words.pause : words.play);
  const set = practice.repeating && practice.loop;
  view.write($("repeat-word"), set ? spanSaid(practice.loop) : words.repeat_off);
  view.change("repeat", String(set), () => {
    $("repeat").setAttribute("aria-pressed", String(Boolean(set)));
    notation.show(practice.repeating ? practice.loop : null, book);
    if (practice.loop) [$("from").value, $("to").value] = practice.loop;
  });
  const count = practice.tempo ?? Math.round(score.count(score.passAt(time), time));
  view.write($("pace-now"), String(count));
  view.change("own", `${practice.tempo} ${count}`, () => {
    $("pace").classList.toggle("own", Boolean(practice.tempo));
    $("tempo").value = count;
    $("tempo").setAttribute("aria-valuetext", view.tempoSaid(count));
    $("plan").disabled = !practice.tempo;
  });
  view.change("pass levels", `${score.passAt(time)} ${practice.placing} ${[...practice.moved]}`, showPlayers);
  view.change("hard", `${practice.bar} ${book.hard}`, () => $("hard").setAttribute("aria-pressed", String(book.isHard(printed(practice.bar)))));
  if (document.activeElement !== $("place") || practice.playing) view.change("slider", Math.round(time / 250), () => { $("place").value = time; });
  view.change("said", `${score.barAt(time)} ${score.passAt(time)}`, () => $("place").setAttribute("aria-valuetext", view.said(time)));
  note(leg);
}

function step() {
  refresh();
  if (practice.playing) requestAnimationFrame(step);
}

function tell(text) { $("told").textContent = text; $("told").classList.toggle("seen", Boolean(text)); }
function told(text) { $("told").textContent = text; $("told").classList.remove("seen"); }

// The printed number of a place of the tune, and how places are called.
function printed(place) { return data.bars[score.place(0, place)][2]; }
function barSaid(place) {
  const [, , number, , , , time] = data.bars[score.place(0, place)];
  return time > 1 ? fill(words.second_time, {bar: number, time: nth(words, time)}) : String(number);
}
function spanSaid([from, to]) {
  return from === to ? fill(words.repeat_one, {from: barSaid(from)}) : fill(words.repeat_span, {from: barSaid(from), to: barSaid(to)});
}

// --- places ---

function byBars(steps) {
  const {time} = practice.now();
  const bar = Math.min(Math.max(score.barAt(time) + steps, 0), data.bars.length - 1);
  if (practice.tempo || practice.repeating) {  // stays within the pass
    const [first, after] = score.barsOf(score.passAt(time));
    return go(data.bars[Math.min(Math.max(bar, first), after - 1)][0]);
  }
  return go(data.bars[bar][0]);
}

function byPasses(steps) {
  const pass = score.passAt(practice.now().time) + steps;
  if (data.passes[pass]) toPass(pass);
}

// A pass begins with its pickup, but where something is repeated there.
function toPass(pass) {
  practice.way.tempo = null;
  go(practice.repeating && practice.loop ? score.span(practice.loop, pass)[0] : data.passes[pass][0]);
}

function go(time) {
  practice.go(time);
  if (!practice.playing) told(view.said(practice.here));
}

// Back to where the round began.
function fromTheTop() {
  const {time, leg} = practice.now();
  const pass = leg?.pass ?? score.passAt(time);
  practice.go(practice.span ? practice.span[0] : data.passes[pass][0]);
}

// --- repeating ---

function repeat(from, to) {
  practice.setLoop([from, to]);
  told(`${words.repeat}: ${spanSaid(practice.loop)}`);
}

function here(long) {
  const bar = practice.bar;
  const [, , , round] = data.bars[score.place(0, bar)];
  const [, first, bars] = data.sections[round] ?? ["", 0, score.barsOf(0)[1]];
  if (long) return repeat(first, first + bars - 1);
  const from = first + Math.floor((bar - first) / 2) * 2;
  return repeat(from, Math.min(from + 1, first + bars - 1));
}

function toggleRepeat() {
  if (practice.repeating || practice.loop) {
    practice.setLoop(practice.loop, !practice.repeating);
    told(`${words.repeat}: ${practice.repeating ? spanSaid(practice.loop) : words.repeat_off}`);
  } else here(true);
}

function nextHard() {
  const [, bars] = score.barsOf(0);
  const hard = Array.from({length: bars}, (_, place) => book.isHard(printed(place)));
  const begins = hard.flatMap((is, place) => is && !hard[place - 1] ? [place] : []);
  if (!begins.length) return tell(words.no_hard);
  const now = practice.repeating && practice.loop ? practice.loop[1] : -1;
  const from = begins.find((place) => place > now) ?? begins[0];
  let to = from;
  while (hard[to + 1]) to += 1;
  return repeat(Math.max(from - 1, 0), Math.min(to + 1, bars - 1));
}

function markHard() {
  book.toggle(printed(practice.bar));
  showBars();
  refresh();
}

function showBars() {
  const [, bars] = score.barsOf(0);
  for (const box of [$("from"), $("to")]) {
    const {value} = box;
    box.replaceChildren(...Array.from({length: bars}, (_, place) => {
      const text = barSaid(place);
      return new Option(book.isHard(printed(place)) ? fill(words.hard_bar, {bar: text}) : text, place);
    }));
    box.value = value || (box.id === "to" ? bars - 1 : 0);
  }
  notation.show(practice.repeating ? practice.loop : null, book);
}

// --- tempo ---

function faster(step) {
  practice.rewind();
  const {time} = practice.now();
  setTempo((practice.tempo ?? Math.round(score.count(score.passAt(time), time))) + step);
}

function setTempo(tempo) {
  practice.setTempo(tempo);
  const {time} = practice.now();
  told(view.tempoSaid(practice.tempo ?? Math.round(score.count(score.passAt(time), time))));
}

// --- presses ---

function element(tag, text, attributes = {}) {
  const made = Object.assign(document.createElement(tag), attributes);
  if (text) made.textContent = text;
  return made;
}

function build() {
  const counts = data.passes.flatMap((pass) => [pass[2], pass[3]]);
  const [slow, fast] = [Math.min(...counts), Math.max(...counts)];
  $("passes").querySelector("ol").append(...data.passes.map(([, , from, to], i) => {
    const item = element("li");
    const button = item.appendChild(element("button", "", {type: "button"}));
    const count = element("b", Math.round(to)), number = element("span", i + 1);
    for (const seen of [count, number]) {
      seen.setAttribute("aria-hidden", "true");
      button.append(seen);
    }
    button.append(element("span", fill(words.pass_said, {number: i + 1, tempo: view.tempoSaid(Math.round(from))}), {className: "unseen"}));
    button.style.setProperty("--up", fast > slow ? (from - slow) / (fast - slow) : 0);
    button.addEventListener("click", () => toPass(i));
    return item;
  }));
  $("placings").append(...mixes.map((mix, i) => {
    const button = element("button", mix.name, {type: "button"});
    button.addEventListener("click", () => practice.place(i));
    return button;
  }));
  $("stand-where").append(...sound.parts.map((part) => {
    const group = element("fieldset");
    group.append(element("legend", words[`player_${part}`], {id: `${part}-name`}));
    for (const [name, decibels] of DISTANCES) {
      const label = element("label");
      const input = element("input", "", {type: "radio", name: part, id: `${part}-${name}`});
      input.addEventListener("change", () => practice.move(part, decibels));
      label.append(input, element("span", words[name]));
      group.append(label);
    }
    return group;
  }));
  $("strings").append(...strings.map(([name, hertz]) => {
    const button = element("button", name, {type: "button"});
    button.setAttribute("aria-label", fill(words.tuning_note, {string: name, hertz: Math.round(hertz * 10) / 10}));
    button.addEventListener("click", () => sound.wake().then(() => sound.tone(hertz)).catch(() => tell(words.held_back)));
    return button;
  }));
  Object.assign($("place"), {min: score.first, max: score.end});
  Object.assign($("tempo"), {min: score.counts[0], max: score.counts.at(-1)});
  $("eye-now").textContent = fill(words.eye_value, {number: 0});
  showBars();
  showLog();
}

function byEye(step) {
  sound.delay = Math.min(Math.max(sound.delay + step, 0), 0.6);
  $("eye-now").textContent = fill(words.eye_value, {number: Math.round(sound.delay * 1000)});
}

const PRESSES = {
  pick: () => notation.pick(),
  play: toggle, back: () => byBars(-1), on: () => byBars(1), repeat: toggleRepeat, slower: () => faster(-2), faster: () => faster(2),
  plan: () => setTempo(null), pair: () => here(false), section: () => here(true), tune: () => repeat(0, score.barsOf(0)[1] - 1),
  hard: markHard, "hard-next": nextHard, "log-copy": copyLog, "log-clear": () => { book.clear(); showLog(); },
  "eye-less": () => byEye(-0.02), "eye-more": () => byEye(0.02),
};
const KEYS = {
  r: toggleRepeat, h: markHard, "+": () => faster(2), "=": () => faster(2), "-": () => faster(-2),
  "[": () => repeat(practice.bar, Math.max(practice.loop?.[1] ?? 0, practice.bar)),
  "]": () => repeat(Math.min(practice.loop?.[0] ?? practice.bar, practice.bar), practice.bar),
};

build();
for (const music of document.querySelectorAll(".music")) {
  music.style.display = "block";  // the one that isn't shown may yet be printed
  fitSyllables(music);
  music.style.display = "";
}
practice.onchange = refresh;
practice.ontell = (word) => tell(word && words[word]);
for (const [id, press] of Object.entries(PRESSES)) $(id).addEventListener("click", press);
$("stage").addEventListener("click", toggle);
$("place").addEventListener("input", (event) => go(Number(event.target.value)));
$("tempo").addEventListener("input", (event) => setTempo(Number(event.target.value)));
$("counted").addEventListener("change", (event) => { practice.way.counted = event.target.value; });
$("rise").addEventListener("change", (event) => { practice.way.rise = Number(event.target.value); practice.way.rounds = 0; });
for (const id of ["from", "to"]) {
  $(id).addEventListener("change", () => repeat(Number($("from").value), Number($("to").value)));
}
notation.ongo = (place) => go(data.bars[score.place(score.passAt(practice.now().time), place)][0]);
notation.onrange = repeat;
notation.onask = (word) => {
  $("pick").setAttribute("aria-pressed", String(Boolean(word)));
  tell(word && words[word]);
};
window.addEventListener("resize", () => {
  document.querySelectorAll(".music").forEach((music) => fitSyllables(music));
  view.shown.measure = undefined;
  notation.show(practice.repeating ? practice.loop : null, book);
  refresh();
});
document.addEventListener("visibilitychange", stayAwake);
// A finger or a mouse leaves no button in its way: the space bar, which pedals send, then plays and pauses again.
document.addEventListener("click", (event) => {
  if (event.detail && event.target.closest("button, summary, [data-measure]")) document.activeElement?.blur();
});
document.addEventListener("keydown", (event) => {
  const {target, key} = event;
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  const on = target.closest("button, summary, input, select, textarea");
  const kind = on?.matches("input") ? on.type : on?.localName ?? "";
  const arrow = {ArrowLeft: -1, ArrowRight: 1}[key];
  const letter = $("letters").checked && !["select", "textarea"].includes(kind);
  if (key === " " && ["", "range", "textarea"].includes(kind)) toggle();
  else if (key === "PageDown") toggle();
  else if (key === "PageUp") fromTheTop();
  else if (arrow && !["radio", "range", "select", "textarea"].includes(kind)) (event.shiftKey ? byPasses : byBars)(arrow);
  else if (letter && KEYS[key.toLowerCase()]) KEYS[key.toLowerCase()]();
  else if (letter && /^[1-9]$/.test(key)) nextDistance(Number(key) - 1);
  else return;
  event.preventDefault();
});
refresh();
sound.tape.prepare(head.parts, score.stripAt(0, score.first), head.rate).catch(() => {});
