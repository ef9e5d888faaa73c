// Hearing: sound streams in as messages (see desk/hear/stream.py), is put on one clock, and every player has a place of his own.
import { path } from "./ask.js";
import { latency } from "./latency.js";

const RATE = 44100, AHEAD = 3, START = 0.03, LEAD = 0.02, SWITCH = 0.4, LATE = 0.15;
const SIDES = { melody: -0.3, backup: 0.3, rhythm: -0.15 };

export const factor = (level) => (level === null ? 0 : 10 ** (level / 20));

// One way to the loudspeaker for the whole page. It is opened at the first touch, so that the first press needn't wait for it.
let out = null;
export let response = null; // the room's

function open() {
  if (out) return out;
  const Context = window.AudioContext ?? window.webkitAudioContext;
  const context = new Context({ sampleRate: RATE, latencyHint: "interactive" });
  // However near all stand, the sum stays under -1 dBFS: above -3 dBFS it is rounded off.
  const curve = Float32Array.from({ length: 8193 }, (_, i) => {
    const x = (i - 4096) / 1024, size = Math.abs(x);
    return Math.sign(x) * (size < 0.7 ? size : 0.7 + 0.19 * Math.tanh((size - 0.7) / 0.19));
  });
  const round = new WaveShaperNode(context, { curve });
  const narrow = new GainNode(context, { gain: 0.25 }); // the curve is drawn for -4 to 4
  narrow.connect(round).connect(context.destination);
  out = { context, dry: narrow, wet: roomRound(context, narrow) };
  return out;
}

// The room round the players: it answers the sum of both sides, which a node's mixing to one channel halves.
export function roomRound(context, to) {
  const send = new GainNode(context, { gain: 2, channelCount: 1, channelCountMode: "explicit" });
  const room = new ConvolverNode(context, { disableNormalization: true });
  send.connect(room).connect(to);
  response ??= ask("/room").then((data) => {
    const buffer = new AudioBuffer({ length: data.length / 2, numberOfChannels: 2, sampleRate: RATE });
    for (const side of [0, 1]) buffer.copyToChannel(data.subarray((side * data.length) / 2, ((side + 1) * data.length) / 2), side);
    return buffer;
  });
  response.then((buffer) => { room.buffer = buffer; }).catch(() => { response = null; }); // dry, then
  return send;
}

const ask = async (where) => {
  const answer = await fetch(where);
  if (!answer.ok) throw new Error(where);
  return new Float32Array(await answer.arrayBuffer());
};

class Take { // one stream from the desk on the context's clock
  constructor(hearing, wanted, ready) {
    this.hearing = hearing;
    this.wanted = wanted;
    this.ready = ready;
    this.stop = new AbortController();
    this.marks = [];
    this.sources = [];
    this.zero = null;
    this.ended = false;
  }

  async run(zero) {
    const { context } = this.hearing;
    const answer = await fetch(this.wanted.where, {
      method: "POST", signal: this.stop.signal, headers: { "Content-Type": "application/json" }, body: JSON.stringify(this.wanted.body),
    });
    if (!answer.ok) {
      const found = await answer.json().catch(() => ({}));
      throw new Error((found.problems ?? []).map((one) => one.what).join("\n"));
    }
    const reader = answer.body.getReader();
    let held = new Uint8Array(0), at = 0;
    for (;;) {
      const { done, value } = await reader.read();
      if (done) break;
      const all = new Uint8Array(held.length + value.length);
      all.set(held); all.set(value, held.length);
      let place = 0;
      while (all.length - place >= 4) {
        const size = new DataView(all.buffer, all.byteOffset + place).getUint32(0, true);
        if (all.length - place - 4 < size) break;
        const body = all.subarray(place + 5, place + 4 + size);
        if (all[place + 4] === 74) this.told(JSON.parse(new TextDecoder().decode(body)));
        else {
          await this.ready;
          if (this.stop.signal.aborted) return;
          if (this.zero === null) this.begin(zero === undefined ? context.currentTime + START : Math.max(zero, context.currentTime + 0.005));
          at += this.play(body, at);
        }
        place += 4 + size;
      }
      held = all.slice(place);
      while (this.zero !== null && this.zero + at / RATE - context.currentTime > AHEAD) {
        await new Promise((next) => setTimeout(next, 150));
        if (this.stop.signal.aborted) return;
      }
    }
    this.end = this.zero === null ? 0 : this.zero + at / RATE;
    this.ended = true;
  }

  begin(zero) {
    this.zero = Math.ceil(zero * RATE) / RATE; // on the clock's own grid, so that nothing is drawn between samples
    this.hearing.begun?.(this);
  }

  told(message) {
    if (message.parts) { this.parts = message.parts; this.out = this.hearing.players(message); }
    else if ("gain" in message) this.out.take.gain.setTargetAtTime(message.gain, this.hearing.context.currentTime, 0.2); // known better by now
    else this.marks.push(message);
  }

  play(body, at) {
    const { context } = this.hearing, count = this.parts.length, frames = body.length / 2 / count;
    const buffer = context.createBuffer(count, frames, RATE);
    const data = new Int16Array(body.slice().buffer);
    for (let part = 0; part < count; part++) {
      const row = buffer.getChannelData(part);
      for (let i = 0, j = part; i < frames; i++, j += count) row[i] = data[j] / 32767;
    }
    const source = new AudioBufferSourceNode(context, { buffer });
    source.connect(this.out.input);
    // Where a busy machine comes too late, all that follows comes so much later: a pause, and nothing out of time.
    if (this.zero + at / RATE < context.currentTime) this.late = true;
    if (this.zero + at / RATE < context.currentTime) this.zero = Math.ceil((context.currentTime + LATE) * RATE - at) / RATE;
    source.start(this.zero + at / RATE);
    source.onended = () => { this.sources = this.sources.filter((one) => one !== source); };
    this.sources.push(source);
    return frames;
  }

  finish(when) {
    this.stop.abort();
    const { context } = this.hearing, at = Math.max(when ?? 0, context.currentTime);
    if (this.out) {
      this.out.take.gain.setValueAtTime(this.out.take.gain.value, at);
      this.out.take.gain.linearRampToValueAtTime(0, at + 0.03);
    }
    for (const source of this.sources) source.stop(at + 0.04);
  }

  // The bar and the note that sound at a moment.
  place(now) {
    if (this.zero === null) return null;
    const frame = (now - this.zero) * RATE;
    let stretch = null;
    for (const one of this.marks) if (one.at <= frame + LEAD * RATE) stretch = one;
    if (!stretch) return null;
    const last = (list) => { let found = null; for (const one of list) if (one[0] <= frame) found = one; else break; return found; };
    return { pass: stretch.pass, tempo: stretch.tempo, bar: last(stretch.bars) ?? stretch.bars[0], note: last(stretch.notes) };
  }

  // The first bar line and the moment at which it sounds; null where the machine came too late.
  get line() {
    const music = this.marks.find((one) => !one.count);
    if (this.zero === null || this.late || !music) return null;
    const [frame, bar, time] = music.bars[0];
    return { bar, time, pass: music.pass, when: this.zero + frame / RATE };
  }

  next(after) { // the first bar line after a moment
    for (const one of this.marks) {
      if (!one.count) for (const bar of one.bars) if (this.zero + bar[0] / RATE >= after) return { pass: one.pass, bar, when: this.zero + bar[0] / RATE };
    }
    return null;
  }
}

export class Hearing {
  constructor({ place, ended, failed }) {
    Object.assign(this, { placed: place, ended, failed });
    this.levels = {};
    this.takes = [];
    if (navigator.userActivation?.hasBeenActive) open();
    else for (const touch of ["pointerdown", "keydown"]) addEventListener(touch, () => open(), { capture: true, once: true });
  }

  get context() { return open().context; }

  get playing() { return this.takes.length > 0; }

  async ready() {
    if (this.context.state !== "running") {
      await Promise.race([this.context.resume(), new Promise((_, no) => setTimeout(() => no(new Error("silent")), 4000))]);
    }
  }

  players({ parts, gain, room }) { // one way for each part, from the stream's channels to the two sides
    const { context } = this;
    const input = new ChannelSplitterNode(context, { numberOfOutputs: parts.length });
    const take = new GainNode(context, { gain });
    take.connect(out.dry);
    if (room !== "off") take.connect(out.wet);
    const gains = {};
    parts.forEach((part, i) => {
      gains[part] = new GainNode(context, { gain: factor(this.level(part)) });
      const side = new StereoPannerNode(context, { pan: SIDES[part] ?? 0 });
      input.connect(gains[part], i);
      gains[part].connect(side).connect(take);
    });
    this.gains = gains;
    return { input, take, gains };
  }

  level(part) { return part in this.levels ? this.levels[part] : 0; }

  stand(levels) { // who stands where; heard at once
    this.levels = levels;
    for (const take of this.takes) {
      for (const [part, gain] of Object.entries(take.out?.gains ?? {})) gain.gain.setTargetAtTime(factor(this.level(part)), this.context.currentTime, 0.02);
    }
  }

  async start(name, body, after) {
    const pressed = performance.now();
    this.halt();
    const ready = this.ready(); // while the desk makes the first sound
    ready.catch(() => {});
    const where = `/sheet/${path(name)}/sound`;
    this.name = name;
    await this.go(new Take(this, { where, body }, ready), undefined, after);
    this.waited = performance.now() - pressed;
  }

  async go(take, zero, old) {
    this.takes.push(take);
    this.follow();
    try {
      const begun = new Promise((yes) => { this.begun = (one) => { if (one === take) yes(); }; });
      const run = take.run(zero);
      await Promise.race([begun, run]);
      old?.();
      run.catch((fault) => this.lost(take, fault));
    } catch (fault) { this.lost(take, fault); }
  }

  lost(take, fault) {
    if (fault.name === "AbortError") return;
    take.stop.abort();
    this.takes = this.takes.filter((one) => one !== take);
    this.failed(fault.message);
    if (!this.takes.length) this.ended();
  }

  // What was changed is heard from the next bar on.
  async change(body) {
    const take = this.takes.at(-1);
    if (!take || take.zero === null) return;
    const next = take.next(this.context.currentTime + SWITCH);
    if (!next) return;
    const wanted = { ...take.wanted.body, ...body, counted: false, bar: next.bar[1], time: next.bar[2], pass: next.pass };
    const fresh = new Take(this, { where: `/sheet/${path(this.name)}/sound`, body: wanted });
    await this.go(fresh, next.when - LEAD, () => {
      take.finish(Math.max(next.when, fresh.zero + LEAD) - 0.01);
      const until = fresh.zero + LEAD;
      const drop = () => { if (this.context.currentTime < until && !fresh.stop.signal.aborted) setTimeout(drop, 30); else this.takes = this.takes.filter((one) => one !== take); };
      drop();
    });
  }

  halt() {
    for (const take of this.takes) take.finish();
    const was = this.playing;
    this.takes = [];
    if (was) this.ended();
  }

  follow() {
    if (this.following) return;
    this.following = true;
    const look = () => {
      if (!this.takes.length) { this.following = false; return; }
      const now = this.context.currentTime - latency(this.context, this.takes[0].zero ?? Infinity);
      const take = this.takes.filter((one) => one.zero !== null && one.zero + LEAD / 2 <= now).at(-1);
      const place = take?.place(now);
      if (place) this.placed(place);
      if (take?.ended && now >= take.end - 0.9 && this.takes.length === 1) { this.takes = []; this.ended(true); }
      requestAnimationFrame(look);
    };
    requestAnimationFrame(look);
  }
}
