// Where everything lies: passes, bars, tempos, and the legs that a way of practising is made of. It knows neither sound nor picture.
class Score {
  // data: the timeline; rate: frames a second; strip: for each pass the frame of the strip where it begins.
  constructor(data, rate, strip) {
    Object.assign(this, data, {rate, strip});
    this.first = data.passes[0][0];
    this.goal = Math.round(data.passes.at(-1)[3]);
    this.counts = [...new Set(Array.from({length: 91}, (_, i) => Math.round(this.goal * (0.4 + i / 100))))];
  }

  // --- where a time is ---

  passAt(time) { return Math.max(lastAt(this.passes, time + 0.5), 0); }
  barAt(time) { return lastAt(this.bars, time + 0.5); }

  // Bars of a pass: the index of its first, and the index after its last.
  barsOf(pass) { return [this.passes[pass][4], this.passes[pass + 1]?.[4] ?? this.bars.length]; }

  barEnd(bar) {
    const next = this.bars[bar + 1];
    const pass = this.bars[bar][1];
    if (!next) return this.end;
    return next[1] === pass ? next[0] : Math.min(next[0], this.gapBefore(next[1]) > 1 ? this.passes[pass][1] : Infinity);
  }

  // Milliseconds of clicks between a pass and the one before it.
  gapBefore(pass) { return pass ? this.passes[pass][0] - this.passes[pass - 1][1] : 0; }

  // Beats a minute at a time of a pass; a glide changes all the way.
  count(pass, time) {
    const [from, to, slow, fast] = this.passes[pass];
    return slow + (fast - slow) * Math.min(Math.max((time - from) / (to - from), 0), 1);
  }

  // The pass whose own tempo is nearest to one.
  nearest(tempo) {
    const far = ([, , slow, fast]) => Math.abs(Math.log(tempo / ((slow + fast) / 2)));
    return this.passes.reduce((best, pass, i) => far(pass) < far(this.passes[best]) - 1e-9 ? i : best, 0);
  }

  // The same place of the tune in another pass.
  carry(time, pass) {
    const bar = this.barAt(time);
    const here = bar < 0 || this.bars[bar][1] !== this.passAt(time) ? null : bar;
    if (here === null) return this.passes[pass][0];
    const share = (time - this.bars[here][0]) / (this.barEnd(here) - this.bars[here][0]);
    const there = this.place(pass, here - this.passes[this.bars[here][1]][4]);
    return this.bars[there][0] + share * (this.barEnd(there) - this.bars[there][0]);
  }

  // The bar of a pass by its place in the tune, counted from 0.
  place(pass, bar) {
    const [from, to] = this.barsOf(pass);
    return Math.min(from + bar, to - 1);
  }

  // Milliseconds of a loop, given as the places of its first and last bars, in a pass.
  span(loop, pass) {
    return [this.bars[this.place(pass, loop[0])][0], this.barEnd(this.place(pass, loop[1]))];
  }

  // --- legs ---

  stripAt(pass, time) { return this.strip[pass] + (time - this.passes[pass][0]) * this.rate / 1000; }

  // From and to in milliseconds of a pass, at a tempo, or at its own where that is null.
  leg(pass, from, to, tempo) {
    const edges = [from, ...this.bars.slice(...this.barsOf(pass)).map(([start]) => start).filter((t) => t > from + 1 && t < to - 1), to];
    const [, , slow, fast] = this.passes[pass];
    const marks = tempo && slow !== fast ? edges : [from, to];
    let out = 0;
    const points = marks.map((time, i) => {
      if (i) out += (time - marks[i - 1]) / 1000 * this.rate * (tempo ? this.count(pass, (time + marks[i - 1]) / 2) / tempo : 1);
      return [i === marks.length - 1 ? Math.round(out) : out, this.stripAt(pass, time), time];
    });
    const frames = points.at(-1)[0];
    const clicks = this.beats.slice(lastAt(this.beats, from - 1, self) + 1, lastAt(this.beats, to - 1, self) + 1)
      .map((beat) => [Math.max(Math.round(along(points, beat, 2, 0)), 0), this.isFirst(beat)]);
    return {kind: "music", pass, from, to, tempo, points, frames, clicks};
  }

  isFirst(beat) {
    const bar = this.bars[lastAt(this.bars, beat + 1)];
    return Boolean(bar) && Math.abs(bar[0] - beat) < 1;
  }

  // Bars of clicks before a place; null where a pickup leaves no room for them.
  countIn(pass, from, tempo, bars) {
    const [first] = this.barsOf(pass);
    const bar = from < this.bars[first][0] ? first : this.barAt(from);
    const [start, end] = [this.bars[bar][0], this.barEnd(bar)];
    const stretch = this.rate / 1000 * (tempo ? this.count(pass, start) / tempo : 1);
    const long = (end - start) * stretch, cut = (start - from) * stretch;
    const frames = Math.round(bars * long - cut);
    const beats = this.beats.filter((beat) => beat > start - 1 && beat < end - 1).map((beat) => (beat - start) * stretch);
    const clicks = Array.from({length: bars}, (_, i) => beats.map((at, n) => [Math.round(i * long + at), n === 0])).flat()
      .filter(([at]) => at < frames - 1);
    return frames > 0.05 * this.rate && clicks.length ? {kind: "count-in", pass, from, to: from, tempo, frames, clicks} : null;
  }

  // The clicks that lie between two passes.
  gap(pass) {
    const from = this.passes[pass - 1][1], to = this.passes[pass][0];
    const leg = this.leg(pass, from, to, null);
    return {...leg, kind: "count-in", from: to, points: null};
  }

  // What rings on after the end.
  ring() {
    const pass = this.passes.length - 1;
    const frames = Math.round(1.4 * this.rate);
    const at = this.stripAt(pass, this.end);
    return {kind: "ring", pass, from: this.end, to: this.end, tempo: null, points: [[0, at, this.end], [frames, at + frames, this.end]], frames, clicks: []};
  }

  // The time that a frame of a leg is, for the eye.
  timeIn(leg, frame) {
    return leg.kind === "music" ? Math.min(along(leg.points, frame, 0, 2), leg.to - 0.01) : leg.from;
  }
}

// A way of practising: what is played next, given what was.
class Way {
  // tempo: beats a minute, null for the sheet's plan; loop: places of the first and last bars, or null; counted: "none", "start"
  // or "round"; rise: rounds after which the loop gets faster, 0 for never.
  constructor(score) {
    Object.assign(this, {score, tempo: null, loop: null, counted: "start", bars: 1, rise: 0, rounds: 0, pass: 0});
  }

  // The place where playing from a time begins: with a count-in at a bar line.
  begin(time) {
    const {score} = this;
    if (this.tempo) time = score.carry(time, this.pass = score.nearest(this.tempo));
    else this.pass = score.passAt(time);
    if (this.loop) {
      const [from, to] = score.span(this.loop, this.pass);
      if (time < from - 0.5 || time >= to - 0.5) return from;
    }
    if (this.counted === "none") return time;
    const [first, after] = score.barsOf(this.pass);
    const bar = score.barAt(time);
    if (bar >= first && bar < after) return score.bars[bar][0];
    return Math.max(score.passes[this.pass][0], Math.min(time, score.passes[this.pass][0]));
  }

  // The legs from a place on: the first, with its count-in before it where there is one.
  first(time, counted = this.counted !== "none", bars = this.bars) {
    const leg = this.from(time);
    this.waiting = null;
    const before = counted ? this.score.countIn(this.pass, time, this.tempo, bars) : null;
    if (before) this.waiting = leg;
    return before ? {...before, round: leg.round} : leg;
  }

  from(time) {
    const {score, pass} = this;
    const to = this.loop ? score.span(this.loop, pass)[1] : score.passes[pass][1];
    return {...score.leg(pass, time, to, this.tempo), round: this.rounds + 1};
  }

  // The leg after a leg.
  follow(leg) {
    const {score} = this;
    if (this.waiting) {
      const next = this.waiting;
      this.waiting = null;
      return next;
    }
    if (leg.kind === "ring") return null;
    if (this.loop || this.tempo) return this.round();
    if (this.pass + 1 >= score.passes.length) return score.ring();
    this.pass += 1;
    const next = this.from(score.passes[this.pass][0]);
    if (score.gapBefore(this.pass) > 1) {
      this.waiting = next;
      return score.gap(this.pass);
    }
    return next;
  }

  // Round again, faster where it is time.
  round() {
    const {score} = this;
    this.rounds += 1;
    if (this.rise && this.rounds % this.rise === 0) {
      const now = this.tempo ?? Math.round(score.count(this.pass, score.passes[this.pass][0]));
      const next = Math.min(now + Math.max(Math.round(score.goal / 25), 1), score.goal);
      if (next > now) {
        this.tempo = next;
        this.pass = score.nearest(next);
      }
    }
    const start = this.loop ? score.span(this.loop, this.pass)[0] : score.passes[this.pass][0];
    return this.first(start, this.counted === "round", 1);
  }
}
