// One sheet on the stand: its parts in the order of the print, each changed where it stands.
import { ask, inTurn, path } from "./ask.js";
import { $, $$, choice, el, line, narrow, tell, word } from "./dom.js";
import { beat, meter, partName, partTitle, say } from "./words.js";
import { go, lay, leave, showRail, state } from "./stage.js";
import { openBook } from "./begin.js";
import { makeLesson } from "./lesson.js";
import { Hearing } from "./hear.js";
import { showDock } from "./dock.js";
import { isSound } from "./record.js";
import { whatIsIt } from "./melody.js";
import { showTune } from "./parts/tune.js";
import { showPlaying } from "./parts/playing.js";
import { showChanges } from "./parts/changes.js";
import { showFingers } from "./parts/fingers.js";
import { showBow } from "./parts/bow.js";
import { showPlan } from "./parts/plan.js";
import { showLearner } from "./parts/learner.js";

const TONICS = ["G", "D", "A", "E", "B", "C", "F", "Bb", "Eb", "Ab", "F#", "C#"]; // the mode is the tune's own
const WATCH = 2500;
// The part of the paper in which a key is changed; those that aren't named are changed in the heading.
const PARTS = { changes: "changes", progression: "changes", shapes: "fingers", tuning: "fingers", strings: "fingers", pattern: "bow", tempo: "plan", sound: "plan",
  to_learner: "learner", recording: "playing", compose: "tune" };

const where = (name) => `/sheet/${path(name)}${narrow() ? "?narrow=1" : ""}`;

export async function showSheet(name) {
  const first = await ask(where(name));
  if (!state.folder) state.folder = (await ask("/shelf")).folder;
  return new Sheet(name, first).open();
}

export class Sheet {
  constructor(name, view) {
    this.name = name;
    this.view = view;
    this.narrow = narrow();
    this.here = { bar: view.head?.first_bar ?? 0, time: 1, pass: 1, around: null };
    this.hearing = new Hearing({
      place: (place) => this.heard(place),
      ended: (whole) => { if (whole) Object.assign(this.here, { bar: this.view.head?.first_bar ?? 0, time: 1, pass: 1 }); this.parts.tune?.mark(null); this.parts.changes?.mark(null); this.parts.plan?.mark(null); this.dock?.refresh(); if (whole) this.recording?.done(); },
      failed: (why) => tell(why === "silent" ? say("no_sound") : why),
    });
    this.parts = {};
    this.unkept = []; // what was changed and couldn't be saved, in that order
    this.waiting = 0; // how many changes are still on their way
  }

  open() {
    const stand = $("#stand");
    stand.className = "sheet";
    this.paper = el("article", { class: "paper whole", "aria-label": this.view.title.text });
    stand.replaceChildren(this.paper);
    this.paper.addEventListener("focusin", (event) => { this.hand = event.target; });
    this.rail();
    this.draw();
    this.dock = showDock(this);
    this.watch = setInterval(() => this.look(), WATCH);
    return this;
  }

  // The headings of the parts that hold what couldn't be saved.
  get unsaved() { return [...new Set(this.unkept.filter((one) => one.why).map((one) => partTitle(one.part) || say("heading")))]; }

  // What is still being typed is kept; whether something is on its way.
  settle() {
    const typed = document.activeElement;
    if (this.paper.contains(typed)) typed.blur();
    return this.waiting > 0;
  }

  halt() { this.recording?.done(); this.hearing.halt(); clearInterval(this.watch); this.closed = true; }

  rail() {
    showRail(this.view.title.text, [
      el("span", { id: "kept" }), " · ",
      word(say("take_back"), () => this.take("back"), { disabled: !this.view.back, id: "back" }),
      word(say("do_again"), () => this.take("forth"), { disabled: !this.view.forth, id: "forth" }),
    ]);
    this.mark();
  }

  // Says whether everything is saved; where it isn't, at the place where it was changed, with why.
  mark() {
    if (this.closed) return;
    const keeping = this.waiting > 0;
    const kept = $("#kept"), failed = this.unkept.filter((one) => one.why);
    const state = keeping ? "no" : failed.length ? "failed" : "yes";
    if (kept) { kept.textContent = say({ no: "keeping", failed: "not_kept", yes: "kept" }[state]); kept.dataset.kept = state; }
    if (keeping) return;
    for (const note of $$("p.unkept", this.paper)) note.remove();
    for (const field of $$(".unkept", this.paper)) field.classList.remove("unkept");
    for (const one of failed) {
      const part = $(`#part-${one.part}`, this.paper) ?? $("#part-head", this.paper) ?? this.paper;
      for (const { key, value } of (one.part === "changes" && one.body.edits) || []) {
        const bar = $(`.bar[data-bar="${key[1]}"]`, part);
        bar?.classList.add("unkept");
        if (bar && value) $(".chords", bar).textContent = value;
      }
      if (part.contains(one.field)) one.field.classList.add("unkept");
      if ($("p.unkept", part)) continue;
      const note = el("p", { class: "red unkept", role: "alert" }, one.why, " ", word(say("try_again"), () => this.keepAll(), { "data-at": `again-${one.part}` }));
      const over = part.querySelector(".over, h1");
      if (over) over.after(note); else part.prepend(note);
    }
  }

  // Draws what has changed; what the teacher is typing in stays under her hands.
  draw() {
    const { view } = this, typed = document.activeElement, down = scrollY;
    const stood = this.paper.contains(typed) ? typed.getBoundingClientRect().top : null;
    const made = (key, data, make) => {
      const mark = JSON.stringify(data);
      const old = this.parts[key];
      if (old?.drawn === mark || (old && this.unkept.some((one) => one.part === key))) return old.section;
      if (old?.busy?.() && old.update) {
        old.update(view);
        $(".notes", old.section)?.replaceWith(this.notes(key)); // what is wrong is said of the sheet as it is now
        old.drawn = mark;
        return old.section;
      }
      const part = make();
      part.drawn = mark;
      this.parts[key] = part;
      return part.section;
    };
    const problems = (part) => this.remarked(part);
    const sections = [
      made("head", [view.title, view.head, view.plan, view.left_out, problems("head")], () => this.head()),
      view.tune && made("tune", [view.tune, view.staff, view.changes?.map((b) => [b.measures, b.ink, b.played]), problems("tune"), view.head?.last_bar], () => showTune(this)),
    ];
    if (view.changes) {
      sections.push(
        made("playing", [view.recording, view.staff, problems("playing")], () => showPlaying(this)),
        made("changes", [view.changes, problems("changes")], () => showChanges(this)),
        made("fingers", [view.fingers, problems("fingers")], () => showFingers(this)),
        made("bow", [view.bow, problems("bow")], () => showBow(this)),
        made("plan", [view.plan, view.room, view.left_out, problems("plan")], () => showPlan(this)),
        made("learner", [view.learner, problems("learner")], () => showLearner(this)),
      );
    } else sections.push(made("text", [view.text, view.problems], () => this.text()));
    const wanted = sections.filter(Boolean);
    for (const old of [...this.paper.children]) if (!wanted.includes(old)) old.remove();
    wanted.forEach((one, i) => { if (this.paper.children[i] !== one) this.paper.insertBefore(one, this.paper.children[i] ?? null); });
    if (typed && !document.contains(typed)) this.refocus(typed);
    this.margins();
    // A paper that was shorter for a moment has been scrolled: what is worked on stays where it was on the screen.
    const hand = document.activeElement;
    scrollTo(0, stood !== null && this.paper.contains(hand) ? scrollY + hand.getBoundingClientRect().top - stood : down);
  }

  refocus(typed) {
    if (document.contains(typed)) { typed.focus({ preventScroll: true }); return; }
    const same = typed.id ? document.getElementById(typed.id) : typed.dataset?.at ? $(`[data-at="${CSS.escape(typed.dataset.at)}"]`, this.paper) : null;
    same?.focus({ preventScroll: true });
  }

  // What is wrong in a part of the paper, or in none that is shown, and what was assumed there.
  remarked(id) {
    const also = { head: ["players", "sheet"], text: ["playing", "changes", "fingers", "bow", "plan", "learner"] }[id] ?? [];
    const of = (all) => all.filter((one) => one.part === id || also.includes(one.part));
    return [...of(this.view.problems), ...of(this.view.remarks).map((one) => ({ ...one, remark: true }))];
  }

  // What is written under a key and can't be; null where nothing is wrong there.
  wrong(key) { return this.view.left_out[key] ?? null; }

  section(id, hint, ...content) {
    return el("section", { id: `part-${id}`, "aria-labelledby": `h-${id}` },
      el("div", { class: "over" }, el("h2", { id: `h-${id}`, tabindex: "-1" }, partTitle(id)), el("div", { class: "hint" }, hint)),
      this.notes(id), content);
  }

  notes(id) {
    return el("div", { class: "notes" }, this.remarked(id).map((one) => el("p", { class: one.remark ? "remark" : "red", role: "note", "data-bar": one.bar ?? "", "data-part": id },
      one.bar ? `${say("bar", { number: one.bar })}: ` : one.line && id === "tune" ? `${say("line_of", { line: one.line })}: ` : "", one.what)));
  }

  // Where there is a margin, what is wrong stands beside its place.
  margins() {
    const wide = matchMedia("(min-width: 73.75rem)").matches; // as the paper leaves it one, in the reader's own size of letters
    let below = 0;
    for (const note of $$("p[data-part]", this.paper)) {
      note.classList.toggle("beside", wide);
      note.style.top = "";
      if (!wide) continue;
      const bar = note.dataset.bar, part = note.closest("section, header");
      const target = (bar && ($(`[data-bar="${bar}"].bar`, part) ?? this.parts.tune?.measure(Number(bar)))) || part.querySelector(".over") || part;
      const top = Math.max(target.getBoundingClientRect().top - this.paper.getBoundingClientRect().top, below);
      note.style.top = `${top}px`;
      below = top + note.offsetHeight + 8;
    }
  }

  head() {
    const { view } = this, head = view.head;
    const title = line(view.title.text, { label: say("title"), ink: view.title.ink, id: "title", keep: (text) => this.change([{ key: ["title"], value: text.trim() || null }]) });
    title.dir = "auto";
    title.classList.add("title");
    const shrink = () => { // a long one is written smaller
      title.style.fontSize = "";
      const over = title.scrollWidth / title.clientWidth;
      if (over > 1) title.style.fontSize = `${Math.max(parseFloat(getComputedStyle(title).fontSize) / over - 0.5, 15)}px`;
    };
    title.addEventListener("input", shrink);
    requestAnimationFrame(() => requestAnimationFrame(shrink));
    const facts = [];
    if (head) {
      const keys = (TONICS.includes(head.tonic) ? TONICS : [head.tonic, ...TONICS]).map((one) => [one, `${one.replace("b", "♭").replace("#", "♯")} ${head.mode}`]);
      const key = choice(head.tonic, keys, { label: say("key"), id: "key", ink: head.key_ink, keep: (value) => this.change([{ key: ["key"], value }]) });
      const plan = view.plan, tempo = say(plan.start === plan.goal ? "tempo_one" : "tempo_range", { beat: beat(plan.beat), slow: plan.start, fast: plan.goal });
      facts.push(key, " · ", meter(head.meter), head.dance ? ` · ${head.dance}` : "", " · ", el("span", { class: plan.ink.length ? "" : "pencil" }, tempo), el("br"),
        `${say("played")} `, line(head.form, { label: say("played"), ink: head.form_ink, wrong: this.wrong("form"), id: "form", keep: (text) => this.change([{ key: ["form"], value: text.trim() || null }]) }),
        ` · ${say("only_bars")} `, line(head.bars, { label: say("only_bars"), sample: say("all_bars"), wrong: this.wrong("bars"), id: "bars", keep: (text) => this.change([{ key: ["bars"], value: text.trim().replace("–", "-") || null }]) }),
        head.key_ink ? [" · ", word(say("key_is"), () => this.change([{ key: ["key"], value: null }]))] : "");
    }
    return { section: el("header", { id: "part-head", class: "head" }, el("h1", {}, el("label", { class: "unseen", for: "title" }, say("title")), title), el("p", { class: "facts" }, facts),
      head?.composer ? el("p", { class: "composer", dir: "auto" }, head.composer) : "", this.notes("head")) };
  }

  // A sheet that can't be shown: its own text, to be put right.
  text() {
    const area = el("textarea", { class: "abc", rows: 18, spellcheck: "false", "aria-label": this.name, id: "sheet-text" });
    area.value = this.view.text;
    area.addEventListener("blur", () => { if (area.value !== this.view.text) this.ask("changes", { text: area.value }); });
    return { section: el("section", { id: "part-text" }, this.notes("text"), area), busy: () => document.activeElement === area, update() {} };
  }

  // Keeping what was changed.
  change(edits) { return this.ask("changes", { edits }); }

  // body may be a function: what it gives is asked for once all before has been answered.
  ask(what, body) {
    const part = what === "changes" ? (body.edits ? PARTS[body.edits[0].key[0]] ?? "head" : "text") : { bow: "bow", recording: "playing" }[what] ?? "tune";
    const field = [document.activeElement, this.hand].find((one) => this.paper.contains(one ?? null) && one.matches("input, select, textarea")) ?? null;
    return this.keepAll({ what, body, part, field, same: JSON.stringify([what, body.edits?.map((edit) => edit.key)]) });
  }

  // What couldn't be saved is tried again with whatever is changed next, in the order in which it was changed.
  keepAll(newest = null) {
    this.waiting++;
    this.mark();
    return inTurn(async () => {
      this.unkept = [...this.unkept.filter((one) => one.same !== newest?.same), ...(newest ? [newest] : [])];
      for (const one of this.unkept) {
        const { what, body } = one, kept = () => { this.unkept = this.unkept.filter((other) => other !== one); };
        try {
          const view = await ask(`/sheet/${path(this.name)}/${what}`, { version: this.view.version, narrow: narrow(), ...(typeof body === "function" ? body() : body) });
          kept();
          this.take_in(view);
        } catch (fault) {
          one.why = `${fault.message.replace(/[.]?$/, ".")} ${say(fault.status ? "unkept_here" : "unkept_gone")}`;
          if (this.closed) tell(fault.message);
          else if (fault.elsewhere) { kept(); await this.refused(fault, what, body); }
        }
      }
      this.waiting--;
      this.mark();
    });
  }

  take_in(view) {
    this.view = view;
    if (this.closed) return;
    this.rail();
    this.draw();
    this.dock?.refresh();
    this.hearing.change({});
  }

  async refused(fault, what, body) {
    if (!fault.elsewhere) { tell(fault.message); return; }
    const kept = $("#kept");
    if (kept) kept.textContent = say("not_kept");
    const mine = this.view;
    const theirs = await ask(where(this.name)).catch(() => null);
    const use = () => { leave(); this.unkept = []; if (theirs) { this.parts = {}; this.take_in(theirs); } else go("#"); };
    const put = () => { leave(); this.view = { ...mine, version: theirs.version }; this.ask(what, body); };
    lay(say("elsewhere", { file: fault.elsewhere[0].file }), fault.elsewhere.map((one) => [
      el("h2", {}, say("elsewhere", { file: one.file })), el("p", {}, say(what === "take" ? "elsewhere_back" : "elsewhere_how")),
      el("ul", { class: "differs" }, one.differs.map(({ key, mine: here, theirs: there }) =>
        el("li", { dir: "auto" }, say("differs", { part: partName(key), mine: here ?? say("undecided"), theirs: there ?? say("undecided") })))),
      el("details", {}, el("summary", {}, say("whole_texts")), el("div", { class: "two" }, [["mine", one.mine, one.theirs], ["theirs", one.theirs, one.mine]].map(([side, text, other]) => {
        const known = new Set(other.split("\n"));
        return el("div", {}, el("h3", {}, say(side)), el("pre", { tabindex: "0" }, text.split("\n").map((row) => el("span", { class: known.has(row) ? "" : "other" }, row, "\n"))));
      })))]),
    el("p", {}, el("button", { type: "button", class: "press", onclick: use }, say("take_theirs")), theirs && what !== "take" ? word(say(body.edits ? "put_change" : "put_mine"), put) : ""));
  }

  async look() { // has somebody else changed it?
    if (document.hidden || document.body.classList.contains("covered") || this.hearing.playing) return;
    await inTurn(async () => {
      if (this.closed) return;
      const { version } = await ask(`/sheet/${path(this.name)}/version`);
      if (version !== this.view.version && !this.closed) {
        const view = await ask(where(this.name));
        this.view = view; this.rail(); this.draw(); this.dock?.refresh();
        tell(say("elsewhere_shown", { file: this.name }));
      }
    }).catch(() => {});
  }

  take(way) {
    const held = this.paper.contains(document.activeElement) ? document.activeElement : null;
    held?.blur?.(); // what stands under her hands is to be drawn anew as well
    return inTurn(async () => {
      if (this.closed) return;
      if (!this.view[way]) { tell(say(`nothing_${way}`)); return; }
      try { this.take_in(await ask(`/sheet/${path(this.name)}/take/${way}`, { narrow: narrow() })); } catch (fault) { await this.refused(fault, "take", {}); }
      if (document.activeElement === document.body && held) this.refocus(held);
    });
  }

  // Hearing.
  hear() {
    if (this.recording) { this.recording.done(); return; }
    if (this.hearing.playing) { this.hearing.halt(); return; }
    if (!this.from) { tell(say("heard_once", { bar: this.view.until })); return; }
    const { bar, time, pass, around } = this.from;
    const counted = !around && bar === this.view.head.first_bar && time === 1;
    return this.hearing.start(this.name, { bar, time, pass, around, counted, lines: this.parts.playing?.lines }).catch((fault) => tell(fault.message === "silent" ? say("no_sound") : fault.message)).finally(() => this.dock.refresh());
  }

  // Where the sound begins: here, or at the beginning where a bar up to here is wrong; null where there is nothing before it.
  get from() {
    const { until, head } = this.view, { here } = this;
    const right = (bar) => until === null || bar < until;
    if (right(here.bar)) return { ...here, around: here.around && right(here.around[0]) ? here.around : null };
    return right(head.first_bar) ? { ...here, bar: head.first_bar, time: 1, around: null } : null;
  }

  heard({ pass, bar, note }) {
    const [, number, time, measure] = bar;
    this.parts.tune?.mark(measure, note);
    this.parts.changes?.mark(number);
    this.parts.plan?.mark(pass);
    if (number !== this.here.bar || pass !== this.here.pass || time !== this.here.time) {
      Object.assign(this.here, { bar: number, time, pass });
      this.dock.refresh();
    }
  }

  goto(bar, { time = 1, quiet = false } = {}) {
    Object.assign(this.here, { bar, time });
    this.parts.tune?.point(bar);
    if (!quiet) this.parts.changes?.point(bar);
    this.dock?.refresh();
    if (this.hearing.playing && !this.recording && this.from?.bar === bar) this.hearing.start(this.name, { bar, time, pass: this.here.pass, around: this.here.around });
  }

  around(pair) {
    this.here.around = pair;
    this.parts.changes?.ringed(pair);
    this.dock?.refresh();
    if (this.hearing.playing) this.hearing.change({ around: pair });
  }

  key(event) {
    if (event.key === " ") {
      if (event.target.matches?.("button:not(.bar), a, summary, input, select") && event.target.id !== "hear") return false;
      this.hear();
      return true;
    }
    if (event.key === "Escape" && this.recording) { this.recording.done(); return true; }
    if (event.key === "Escape") { if (this.here.around) this.around(null); this.hearing.halt(); return true; }
    return this.parts.changes?.key(event) ?? false;
  }

  jump(letter) {
    const id = { t: "tune", c: "changes", f: "fingers", b: "bow", p: "plan", w: "learner" }[letter];
    if (letter === "m") { makeLesson([this.name], this.view.title.text); return true; }
    if (!id) return false;
    const part = $(`#part-${id}`);
    if (!part) return false;
    part.scrollIntoView({ block: "start", behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth" });
    (part.querySelector(".bar[tabindex='0'], textarea, button.open, button, input, select") ?? $("h2", part)).focus({ preventScroll: true });
    return true;
  }

  dropped(file) {
    if (isSound(file)) { whatIsIt(this, file); return; }
    openBook(file, null, async (book, tune) => {
      const { abc } = await ask("/book/tune", { book, tune });
      this.ask("tune", { abc });
    });
  }
}

addEventListener("resize", async () => {
  const sheet = state.now;
  if (!(sheet instanceof Sheet)) return;
  if (sheet.narrow !== narrow()) { // the staff is engraved for the other width, and the title's letters are of another size
    sheet.narrow = narrow();
    const view = await ask(where(sheet.name));
    if (view.version === sheet.view.version && !sheet.closed) { sheet.view = view; delete sheet.parts.head; sheet.draw(); }
  }
  sheet.margins();
});
