// The sound: every part one unbroken stream of samples, made a little ahead, the click among them, all at one clock.
//
// A stream is made of legs, one after the other: a stretch of a pass, a count-in, the last ring. A leg says how many frames it has,
// which frames of the strip they come from, and where it clicks. Legs join exactly at a frame: the last hundredth of a
// second of the old one fades into what comes before the new one. Players stand near or far by a gain each.
const AHEAD = 2.6;    // seconds made ahead: a page in the background is woken once a second
const BLOCK = 6000;   // frames made at a time
const JOIN = 240;     // frames over which two legs fade into each other
const KNEE = 0.7, TOP = 0.88;

class Sound {
  // head: rate, parts, onsets (for each part), clicks (modes of the wood blocks, peak), and what the tape needs.
  constructor(head, load) {
    this.head = head;
    this.tape = new Tape(head, load);
    this.parts = [...head.parts, "click"];
    this.delay = 0;          // seconds that the eye is to wait for late loudspeakers
    this.run = null;         // what plays
    this.level = () => 1;    // (part, leg) -> gain
    this.master = 1;
    this.onbreak = () => {}; // called when the browser takes the sound away
    this.spare = [];         // buffers that have sounded, to be filled anew
    this.blocks = [head.clicks.low, head.clicks.high].map((modes) => woodBlock(modes, head.rate));
  }

  // Must be called from a press: browsers let nothing sound before. Gives up after some seconds.
  wake(patience = 6000) {
    if (!this.context) {
      this.context = new AudioContext({sampleRate: this.head.rate, latencyHint: "interactive"});
      this.chain = limited(this.context, this.master);
      this.context.onstatechange = () => { if (this.context.state !== "running" && this.run) this.onbreak(); };
    }
    if (this.context.state === "running") return Promise.resolve();
    return Promise.race([
      this.context.resume(),
      new Promise((_, fail) => { setTimeout(() => fail(new Error("the sound does not start")), patience); }),
    ]);
  }

  get playing() { return this.run !== null; }

  // Play legs: follow(leg) gives the one after a leg, null after the last. What sounds now dies away as they begin.
  start(first, follow, soon = 0.08) {
    const {rate} = this.head;
    const {context} = this;
    const t0 = Math.ceil((context.currentTime + soon) * rate) / rate;
    this.hush(t0);
    const out = context.createGain();
    out.connect(this.chain);
    const gains = new Map(this.parts.map((part) => {
      const gain = context.createGain();
      gain.gain.value = this.level(part, first);
      gain.connect(out);
      return [part, gain];
    }));
    const read = (part) => (from, out) => this.tape.read(part, from, out);
    this.run = {
      t0, out, gains, follow, legs: [], made: 0, nodes: new Set(), clicks: [],
      streams: new Map(this.head.parts.map((part) => [part, {
        stretch: new Stretch(rate, read(part), this.head.onsets[part]), held: new Float32Array(JOIN),
      }])),
    };
    this.enter(first);
    this.timer ??= setInterval(() => this.feed(), 100);
    this.feed();
  }

  stop() {
    if (!this.run) return;
    this.hush(this.context.currentTime);
    this.run = null;
    clearInterval(this.timer);
    this.timer = null;
  }

  hush(when) {
    const {run} = this;
    if (!run) return;
    run.out.gain.setValueAtTime(1, when);
    run.out.gain.linearRampToValueAtTime(0, when + 0.012);
    for (const node of run.nodes) node.stop(when + 0.02);
    setTimeout(() => run.out.disconnect(), 1000 * (when - this.context.currentTime) + 300);
  }

  // As loud as a placing wants to be as a whole.
  setMaster(gain) {
    this.master = gain;
    this.chain?.gain.setTargetAtTime(gain / 4, this.context.currentTime, 0.02);
  }

  // Who stands where has changed.
  place() {
    const {run, context} = this;
    if (!run) return;
    const now = this.heard()?.leg ?? run.legs[0];
    for (const [part, {gain}] of run.gains) {
      gain.cancelScheduledValues(context.currentTime);
      gain.setTargetAtTime(this.level(part, now), context.currentTime, 0.02);
      for (const leg of run.legs) if (leg.start > now.start) this.fade(gain, leg, this.level(part, leg));
    }
  }

  // Reach a gain when a leg begins.
  fade(gain, leg, level) {
    const when = this.run.t0 + leg.start / this.head.rate;
    if (when > this.context.currentTime + 0.03) gain.setTargetAtTime(level, when - 0.03, 0.008);
  }

  // A leg is next in line.
  enter(leg) {
    const {run} = this;
    leg.start = run.made + JOIN;
    leg.done = -JOIN;
    run.legs.push(leg);
    if (run.legs.length > 40) run.legs.splice(0, 20);
    for (const [part, stream] of run.streams) {
      if (leg.points) stream.stretch.begin(leg.points, -JOIN);
      if (run.legs.length > 1) this.fade(run.gains.get(part).gain, leg, this.level(part, leg));
    }
    if (run.legs.length > 1) this.fade(run.gains.get("click").gain, leg, this.level("click", leg));
    for (const [frame, first] of leg.clicks) run.clicks.push({at: leg.start + frame, sound: this.blocks[first ? 1 : 0]});
  }

  // Make what is missing of the time ahead.
  feed() {
    const {run, context, head} = this;
    if (!run || run.over) return;
    while (run.t0 + run.made / head.rate < context.currentTime + AHEAD) {
      let leg = run.legs.at(-1);
      if (leg.done >= leg.frames - JOIN) {
        const following = run.follow(leg);
        if (!following) { run.over = true; return; }
        for (const {stretch, held} of run.streams.values()) if (leg.points) stretch.next(held); else held.fill(0);
        this.enter(following);
        leg = following;
      }
      const count = leg.done < 0 ? JOIN : Math.min(BLOCK, leg.frames - JOIN - leg.done);
      if (leg.points && !this.within(leg, count)) return;
      for (const [part, {stretch, held}] of run.streams) {
        this.send(part, count, (sound) => {
          if (leg.points) stretch.next(sound); else sound.fill(0);
          if (leg.done < 0) for (let i = 0; i < count; i += 1) sound[i] = held[i] + (sound[i] - held[i]) * (i + 0.5) / count;
        });
      }
      this.send("click", count, (sound) => this.clicked(run.made, sound));
      leg.done += count;
      run.made += count;
    }
  }

  // Whether the tape has what the next frames of a leg come from; what comes after them is sent for in time.
  within(leg, count) {
    const {rate} = this.head;
    const from = along(leg.points, leg.done, 0, 1), to = along(leg.points, leg.done + count, 0, 1);
    this.tape.ready(this.head.parts, from, to - from + 10 * rate);
    return this.tape.ready(this.head.parts, from, to - from);
  }

  send(part, count, fillIn) {
    const {run, context, head} = this;
    const when = run.t0 + run.made / head.rate;
    if (when < context.currentTime) run.t0 += Math.ceil((context.currentTime + 0.1 - when) * head.rate) / head.rate;
    const used = count === BLOCK ? this.spare.pop() : null;
    const buffer = used ?? new AudioBuffer({length: count, sampleRate: head.rate});
    fillIn(buffer.getChannelData(0));
    const node = context.createBufferSource();
    node.buffer = buffer;
    node.connect(run.gains.get(part));
    node.onended = () => {
      run.nodes.delete(node);
      node.disconnect();
      if (count === BLOCK) this.spare.push(buffer);
    };
    run.nodes.add(node);
    node.start(run.t0 + run.made / head.rate);
  }

  clicked(from, out) {
    const {run} = this;
    const count = out.length;
    out.fill(0);
    for (const {at, sound} of run.clicks) {
      for (let i = Math.max(at, from); i < Math.min(at + sound.length, from + count); i += 1) out[i - from] += sound[i - at];
    }
    run.clicks = run.clicks.filter(({at, sound}) => at + sound.length > from + count);
  }

  // The leg and its frame that are in the air now, or so many seconds from now: the sound card is some way behind the clock.
  heard(ahead = 0) {
    const {run, context} = this;
    if (!run) return null;
    let time = context.currentTime - latency(context, run.t0);
    const stamp = mayAsk(context, run.t0) ? context.getOutputTimestamp?.() : null;
    if (stamp && stamp.contextTime > 0) {
      const exact = stamp.contextTime + (performance.now() - stamp.performanceTime) / 1000;
      if (Math.abs(exact - context.currentTime) < 0.6) time = exact;
    }
    const frame = (time - this.delay + ahead - run.t0) * this.head.rate;
    const at = Math.max(lastAt(run.legs, frame, (leg) => leg.start), 0);
    const leg = run.legs[at];
    return {leg, frame: Math.max(frame - leg.start, 0), over: Boolean(run.over) && frame >= leg.start + leg.frames - JOIN};
  }

  // One string's note for tuning, seconds long, as rich as a bowed string, without the beat of a vibrato.
  tone(hertz, seconds = 5) {
    const {context} = this;
    this.hushTone?.();
    const wave = context.createPeriodicWave(new Float32Array(13), Float32Array.from({length: 13}, (_, n) => n && n ** -1.4));
    const [node, gain] = [context.createOscillator(), context.createGain()];
    node.setPeriodicWave(wave);
    node.frequency.value = hertz;
    const now = context.currentTime;
    gain.gain.setValueAtTime(0, now);
    gain.gain.linearRampToValueAtTime(0.25, now + 0.15);
    gain.gain.setValueAtTime(0.25, now + seconds - 0.4);
    gain.gain.linearRampToValueAtTime(0, now + seconds);
    node.connect(gain).connect(this.chain);
    node.start(now);
    node.stop(now + seconds);
    this.hushTone = () => {
      gain.gain.cancelScheduledValues(context.currentTime);
      gain.gain.setTargetAtTime(0, context.currentTime, 0.02);
      node.stop(context.currentTime + 0.2);
    };
  }
}

// What everything goes through: however many stand near, no sample passes -1 dBFS. Straight below the knee, bent above.
function limited(context, gain) {
  const [half, shaper] = [context.createGain(), context.createWaveShaper()];
  half.gain.value = gain / 4;
  const size = 16385;
  shaper.curve = Float32Array.from({length: size}, (_, i) => {
    const x = 4 * (2 * i / (size - 1) - 1);
    const over = Math.abs(x) - KNEE;
    return over <= 0 ? x : Math.sign(x) * (KNEE + (TOP - KNEE) * Math.tanh(over / (TOP - KNEE)));
  });
  half.connect(shaper).connect(context.destination);
  return half;
}

// A struck block of wood: a few modes that die away at once. modes: [hertz, seconds to 1/e, share] each; peak: of the first sample.
function woodBlock({modes, peak}, rate) {
  const count = Math.round(0.16 * rate);
  const whole = modes.reduce((sum, [, , share]) => sum + share, 0);
  return Float32Array.from({length: count}, (_, i) => modes.reduce((sum, [hertz, decay, share]) =>
    sum + share * Math.cos(2 * Math.PI * hertz * i / rate) * Math.exp(-i / rate / decay), 0) * peak / whole * Math.min((count - 1 - i) / (0.02 * rate), 1));
}
