// The sound: one decoded mix at a time, played from any place, round and round without a seam, and the clock of what is heard.
class Sound {
  constructor(head) {
    this.head = head;            // rate, lead, knock (seconds), end (seconds)
    this.delay = 0;              // seconds that the eye is to wait for late loudspeakers
    this.place = 0;              // seconds, while nothing plays
    this.loop = null;            // [from, to] in seconds
    this.run = null;             // what plays: {node, gain, when, at, loop}
    this.music = null;           // {buffer, begins}
  }

  // Decode a mix; the music begins where the knock says.
  async open(base64) {
    const text = atob(base64.trim());
    const bytes = new Uint8Array(text.length);
    for (let i = 0; i < text.length; i += 1) bytes[i] = text.charCodeAt(i);
    const shop = new OfflineAudioContext(1, 1, this.head.rate);
    const buffer = await shop.decodeAudioData(bytes.buffer);
    return {buffer, begins: this.head.lead + this.lag(buffer)};
  }

  // How late the browser's decoder is: the middle of the knock, less where it was put.
  lag(buffer) {
    const rate = buffer.sampleRate;
    const heard = buffer.getChannelData(0).subarray(0, Math.round(rate * (this.head.knock + 0.13)));
    let peak = 0;
    for (let i = 0; i < heard.length; i += 1) if (Math.abs(heard[i]) > Math.abs(heard[peak])) peak = i;
    let sum = 0, moment = 0;
    const around = Math.round(rate * 0.012);
    for (let i = Math.max(0, peak - around); i < Math.min(heard.length, peak + around); i += 1) {
      sum += heard[i] ** 2;
      moment += i * heard[i] ** 2;
    }
    return sum ? moment / sum / rate - this.head.knock : 0;
  }

  // Must be called from a press: browsers let nothing sound before.
  wake() {
    if (!this.context) {
      try {
        this.context = new AudioContext({sampleRate: this.head.rate});
      } catch {
        this.context = new AudioContext();
      }
    }
    return this.context.resume();
  }

  get playing() { return this.run !== null; }

  play() { this.launch(this.place, 0.06); }

  pause() {
    this.place = this.heard();
    this.hush(this.context.currentTime);
    this.run = null;
  }

  // Go to a place, playing or not.
  go(place) {
    this.place = Math.min(Math.max(place, 0), this.head.end);
    if (this.playing) this.launch(this.place, 0.03);
  }

  // Take another mix without leaving the place.
  swap(music) {
    this.music = music;
    if (this.playing) this.carryOn();
  }

  setLoop(loop) {
    const place = this.heard();
    this.loop = loop;
    const outside = loop && (place < loop[0] || place >= loop[1]);
    if (outside) this.go(loop[0]);
    else if (this.playing) this.carryOn();
  }

  // Begin anew at the very place that will be reached then, so that nobody hears a join.
  carryOn() {
    const when = this.context.currentTime + 0.06;
    this.launch(this.reached(this.run, when), 0.06, when);
  }

  launch(at, soon, when = this.context.currentTime + soon) {
    this.hush(when);
    const node = this.context.createBufferSource();
    const gain = this.context.createGain();
    const loop = this.loop && at >= this.loop[0] && at < this.loop[1] ? this.loop : null;
    node.buffer = loop ? this.ring(loop) : this.music.buffer;
    node.loop = Boolean(loop);
    gain.gain.setValueAtTime(0, when);
    gain.gain.linearRampToValueAtTime(1, when + 0.012);
    node.connect(gain).connect(this.context.destination);
    node.start(when, loop ? at - loop[0] : this.music.begins + at);
    this.run = {node, gain, when, at, loop};
  }

  // Let what plays die away at a time.
  hush(when) {
    if (!this.run) return;
    const {gain, node} = this.run;
    gain.gain.cancelScheduledValues(when);
    gain.gain.setValueAtTime(1, when);
    gain.gain.linearRampToValueAtTime(0, when + 0.012);
    node.stop(when + 0.02);
  }

  // A stretch as a buffer of its own: its last hundredth of a second turns into what comes before its beginning, so that the
  // wave goes on where the end meets the beginning.
  ring([from, to]) {
    const {buffer, begins} = this.music;
    const rate = buffer.sampleRate;
    const first = Math.round((begins + from) * rate);
    const size = Math.round((begins + to) * rate) - first;
    const whole = buffer.getChannelData(0);
    const ring = new AudioBuffer({length: size, sampleRate: rate});
    const out = ring.getChannelData(0);
    out.set(whole.subarray(first, first + size));
    const turn = Math.min(Math.round(rate * 0.01), size, first);
    for (let i = 1; i <= turn; i += 1) {
      const share = (turn - i + 1) / (turn + 1);
      out[size - i] = out[size - i] * (1 - share) + whole[first - i] * share;
    }
    return ring;
  }

  // The place that a run has reached at a time of the context's clock.
  reached(run, time) {
    const place = run.at + Math.max(0, time - run.when);
    if (!run.loop || place < run.loop[1]) return place;
    const [from, to] = run.loop;
    const rate = this.music.buffer.sampleRate;
    const long = (Math.round(to * rate) - Math.round(from * rate)) / rate;
    return from + (place - from) % long;
  }

  // The place that is in the air now, or so many seconds from now: the sound card is some way behind the clock.
  heard(ahead = 0) {
    if (!this.run) return this.place;
    const {context} = this;
    let time = context.currentTime - (context.outputLatency || context.baseLatency || 0);
    const stamp = context.getOutputTimestamp?.();
    if (stamp && stamp.contextTime > 0) {
      const exact = stamp.contextTime + (performance.now() - stamp.performanceTime) / 1000;
      if (Math.abs(exact - context.currentTime) < 0.6) time = exact;
    }
    return Math.min(this.reached(this.run, time - this.delay + ahead), this.head.end);
  }
}
