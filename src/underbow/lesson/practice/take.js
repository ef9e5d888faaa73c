// A take: what the microphone hears, sample by sample at the sound's own clock, and how late it hears what was played.
// The learner's page and the teacher's desk record with the same lines. Nothing is sent from here.
const CLICKS = 10, APART = 0.75, UNCOUNTED = 2;  // of the test: the first clicks only set the beat
const EARLY = 0.12, LATEST = 0.55;               // seconds around a click in which it, or a clap, may be heard
const SPREAD = 0.03, LEAST = 5;                  // how far apart delays may lie, in seconds, and how many clicks must be heard
const LONGEST = 600;                             // seconds of a take

class Take {
  constructor(context, listener) {
    Object.assign(this, {context, listener, parts: [], first: null, frames: 0, onfull: () => {}});
  }

  // Ask for the microphone as it is, without what makes speech clearer and a fiddle unclear. Raises what the browser says.
  async open() {
    if (!navigator.mediaDevices?.getUserMedia || !this.context.audioWorklet) throw new DOMException("", "NotSupportedError");
    const plain = {echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1};
    try {
      this.stream = await navigator.mediaDevices.getUserMedia({audio: plain});
    } catch (fault) {
      throw new DOMException(fault.message, fault.name);  // WebKit's own kinds of errors are others
    }
    try {
      if (!Take.known.has(this.context)) await this.context.audioWorklet.addModule(this.listener);
      Take.known.add(this.context);
      this.source = this.context.createMediaStreamSource(this.stream);
      this.node = new AudioWorkletNode(this.context, "take", {channelCount: 1, channelCountMode: "explicit"});
      this.node.port.onmessage = ({data: [frame, samples]}) => this.add(frame, samples);
      this.source.connect(this.node).connect(this.context.destination);  // of it nothing is heard; unconnected it might sleep
    } catch (fault) {
      this.close();
      throw fault;
    }
    return this;
  }

  add(frame, samples) {
    if (this.closed) return;
    this.first ??= frame;
    const missing = frame - this.first - this.frames;  // where a busy machine dropped some, all after them stays in its place
    if (missing > 0 && this.frames) { this.parts.push(new Float32Array(missing)); this.frames += missing; }
    this.parts.push(samples);
    this.frames += samples.length;
    if (this.frames > LONGEST * this.context.sampleRate) { this.close(); this.onfull(); }
  }

  close() {
    this.closed = true;
    this.stream?.getTracks().forEach((track) => track.stop());
    this.source?.disconnect();
    this.node?.disconnect();
  }

  // Second of the context's time at which the take begins.
  get start() { return (this.first ?? 0) / this.context.sampleRate; }

  get seconds() { return this.frames / this.context.sampleRate; }

  // All samples, from a moment of the context's time on.
  from(moment = this.start) {
    const all = new Float32Array(this.frames);
    let at = 0;
    for (const part of this.parts) { all.set(part, at); at += part.length; }
    return all.subarray(Math.max(Math.round((moment - this.start) * this.context.sampleRate), 0));
  }

  // Click, listen, and say how late the clicks, or the claps to them, came back: seconds, or null where they weren't clear.
  static async delay(context, listener) {
    const take = await new Take(context, listener).open();
    const begin = context.currentTime + 0.5;
    const times = Array.from({length: CLICKS}, (_, n) => begin + n * APART);
    for (const time of times) click(context, time);
    await new Promise((done) => { setTimeout(done, 1000 * (times.at(-1) + LATEST + 0.2 - context.currentTime)); });
    take.close();
    return delayOf(take.from(), context.sampleRate, times.slice(UNCOUNTED).map((time) => time - take.start));
  }
}
Take.known = new WeakSet();

function click(context, time) {
  const rate = context.sampleRate, count = Math.round(0.03 * rate);
  const buffer = new AudioBuffer({length: count, sampleRate: rate});
  buffer.copyToChannel(Float32Array.from({length: count}, (_, i) => 0.7 * Math.sin(2 * Math.PI * 1900 * i / rate) * Math.exp(-i / rate / 0.004)), 0);
  const node = new AudioBufferSourceNode(context, {buffer});
  node.connect(context.destination);
  node.start(time);
}

// How much later than its time each click is heard, the middle of them all; null where too few stand out, or they don't agree.
// What counts is where a knock begins: the first sample that reaches a third of its peak, taken from the change between samples.
function delayOf(samples, rate, times) {
  const steps = Float32Array.from(samples, (value, i) => Math.abs(value - (i ? samples[i - 1] : value)));
  const delays = [];
  for (const time of times) {
    const from = Math.max(Math.round((time - EARLY) * rate), 0), to = Math.min(Math.round((time + LATEST) * rate), steps.length);
    const window = steps.subarray(from, to);
    if (window.length < 0.2 * rate) continue;
    const peak = window.reduce((most, value) => Math.max(most, value), 0);
    const usual = window.slice().sort()[Math.floor(window.length * 0.7)];
    if (peak < 0.003 || peak < 8 * usual) continue;
    delays.push((from + window.findIndex((value) => value > peak / 3)) / rate - time);
  }
  if (delays.length < LEAST) return null;
  const middle = (all) => all.sort((a, b) => a - b)[all.length >> 1];
  const delay = middle(delays);
  return middle(delays.map((one) => Math.abs(one - delay))) <= SPREAD ? delay : null;
}

// A WAV file of one channel, 16 bits (Microsoft and IBM, "Multimedia Programming Interface and Data Specifications 1.0", 1991).
function wav(samples, rate) {
  const bytes = new DataView(new ArrayBuffer(44 + 2 * samples.length));
  const text = (at, said) => { for (let i = 0; i < said.length; i += 1) bytes.setUint8(at + i, said.charCodeAt(i)); };
  text(0, "RIFF"); bytes.setUint32(4, 36 + 2 * samples.length, true); text(8, "WAVEfmt ");
  bytes.setUint32(16, 16, true); bytes.setUint16(20, 1, true); bytes.setUint16(22, 1, true); bytes.setUint32(24, rate, true);
  bytes.setUint32(28, 2 * rate, true); bytes.setUint16(32, 2, true); bytes.setUint16(34, 16, true);
  text(36, "data"); bytes.setUint32(40, 2 * samples.length, true);
  samples.forEach((value, i) => bytes.setInt16(44 + 2 * i, Math.round(32767 * Math.max(-1, Math.min(1, value))), true));
  return new Blob([bytes], {type: "audio/wav"});
}

// Which words say why nothing can be recorded.
const refusal = (fault) => ({NotAllowedError: "mic_refused", NotFoundError: "mic_none", OverconstrainedError: "mic_none", NotReadableError: "mic_taken", SecurityError: "mic_refused"})[fault.name] ?? "mic_unable";
