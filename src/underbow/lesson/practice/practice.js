// Practising: one learner, one sheet; what is played, from where, how fast, who stands where. It drives the sound and knows no buttons.
class Practice {
  constructor(score, sound, book, mixes) {
    Object.assign(this, {score, sound, book, mixes});
    this.way = new Way(score);
    this.here = score.first;     // milliseconds, while nothing plays
    this.repeating = false;      // whether the loop is in force; which bars it has is kept
    this.loop = null;            // places of the first and last bars
    this.placing = 0;            // the mix that says who stands where
    this.moved = new Map();      // part -> dB, or null for out, where the learner has moved it
    this.busy = false;
    this.played = 0;             // seconds since the last rest
    this.onchange = () => {};
    this.ontell = () => {};
    sound.level = (part, leg) => decibels(this.level(part, leg.pass));
    sound.onbreak = () => { if (this.playing) { this.pause(); this.ontell("broken_off"); } };
  }

  get playing() { return this.sound.playing; }
  get tempo() { return this.way.tempo; }

  // dB of a part in a pass: where the learner put it, else where the mix has it; null for out.
  level(part, pass) {
    if (this.moved.has(part)) return this.moved.get(part);
    const levels = this.mixes[this.placing].levels[part] ?? [null];
    return levels[Math.min(pass, levels.length - 1)];
  }

  // What is in the air: time in milliseconds, the leg, and in a count-in the beats that are left.
  now(ahead = 0) {
    const heard = this.sound.heard(ahead);
    if (!heard) return {time: this.here, leg: null, waiting: 0, over: false};
    const {leg, frame, over} = heard;
    const waiting = leg.kind === "count-in" ? Math.max(leg.clicks.filter(([at]) => at > frame).length + 1, 1) : 0;
    return {time: Math.min(this.score.timeIn(leg, frame), this.score.end - 0.01), leg, waiting, over};
  }

  get span() {
    const {pass} = this.now().leg ?? this.way;
    if (this.repeating && this.loop) return this.score.span(this.loop, pass);
    return this.way.tempo ? [this.score.passes[pass][0], this.score.passes[pass][1]] : null;
  }

  async play() {
    if (this.busy || this.playing) return;
    this.busy = true;
    let why = "held_back";
    try {
      this.ontell("opening");
      await this.sound.wake();
      why = "failed";
      if (this.here >= this.score.end - 50) this.here = this.score.first;
      this.way.rounds = 0;
      await this.launch(this.way.begin(this.here), true, 0.08);
      this.ontell("");
    } catch {
      this.ontell(why);
    } finally {
      this.busy = false;
      this.onchange();
    }
  }

  // Play from a time on.
  async launch(time, counted, soon) {
    const {way, sound, score} = this;
    const mine = this.launched = {};
    way.loop = this.repeating ? this.loop : null;
    if (!way.tempo) way.pass = score.passAt(time);
    const full = time <= score.first + 1 && !way.loop && !way.tempo ? score.count_in : 1;
    const leg = way.first(time, counted && way.counted !== "none" && full > 0, Math.max(full, 1));
    const start = score.stripAt(way.pass, time);
    await sound.tape.prepare(sound.head.parts, start, score.rate);
    if (this.launched === mine) sound.start(leg, (before) => way.follow(before), soon);
  }

  pause() {
    const {time} = this.now();
    this.here = time;
    this.launched = null;
    this.sound.stop();
    this.book.keep();
    this.onchange();
  }

  toggle() { return this.playing ? this.pause() : this.play(); }

  // The way is some seconds ahead of what is heard: bring it back to the round that is in the air, before it goes on from there.
  rewind() {
    const {way} = this, {leg} = this.now();
    if (leg?.round === undefined || way.rounds === leg.round - 1) return;
    way.rounds = leg.round - 1;
    way.tempo = leg.tempo;
  }

  // Go to a time; where music plays it goes on from there, without a count-in.
  go(time) {
    const {score} = this;
    this.rewind();
    time = Math.min(Math.max(time, score.first), score.end - 1);
    if (this.repeating && this.loop) {
      const [from, to] = score.span(this.loop, score.passAt(time));
      if (time < from - 0.5 || time >= to - 0.5) this.repeating = false;
    }
    this.here = this.way.tempo ? score.carry(time, this.way.pass = score.nearest(this.way.tempo)) : time;
    if (this.playing) this.launch(this.here, false, 0.05).catch(() => this.ontell("failed"));
    this.onchange();
  }

  // Carry on from the very place that is heard, after something has changed.
  again() {
    const {way, score} = this;
    let {time} = this.now(0.06);
    way.loop = this.repeating ? this.loop : null;
    if (way.tempo) time = score.carry(time, way.pass = score.nearest(way.tempo));
    if (way.loop) {
      const [from, to] = score.span(way.loop, score.passAt(time));
      if (time < from - 0.5 || time >= to - 0.5) time = from;
    }
    this.here = time;
    if (this.playing) this.launch(time, false, 0.06).catch(() => this.ontell("failed"));
    this.onchange();
  }

  setTempo(tempo) {
    const {score, way} = this;
    this.rewind();
    way.tempo = tempo && Math.min(Math.max(tempo, score.counts[0]), score.counts.at(-1));
    this.again();
  }

  setLoop(loop, on = true) {
    this.rewind();
    this.loop = loop && [Math.min(...loop), Math.max(...loop)];
    this.repeating = on && this.loop !== null;
    this.way.rounds = 0;
    this.again();
  }

  // Place of the bar that is heard, from the beginning of its pass.
  get bar() {
    const {time, leg} = this.now();
    const pass = leg?.pass ?? this.score.passAt(time);
    const [first, after] = this.score.barsOf(pass);
    return Math.min(Math.max(this.score.barAt(time), first), after - 1) - first;
  }

  move(part, level) {
    this.moved.set(part, level);
    this.sound.place();
    this.onchange();
  }

  place(mix) {
    this.placing = mix;
    this.moved.clear();
    this.sound.setMaster(decibels(this.mixes[mix].trim));
    this.sound.place();
    this.onchange();
  }
}

const decibels = (level) => level === null || level === undefined ? 0 : 10 ** (level / 20);
