// The sound that the page carries: each part in pieces, decoded when they are near, forgotten when they are not.
class Tape {
  // head: rate, lead, knock (seconds), piece, over (frames); load(part, number) gives the bytes of a piece.
  constructor(head, load) {
    Object.assign(this, {head, load});
    this.pieces = new Map();  // "part number" -> samples, or a promise of them
  }

  // Wait until a stretch of the strip can be read.
  async prepare(parts, from, count) {
    await Promise.all(this.need(parts, from, count));
  }

  // Whether a stretch can be read now; what is missing is sent for.
  ready(parts, from, count) {
    return this.need(parts, from, count).length === 0;
  }

  need(parts, from, count) {
    const {piece, pieces} = this.head;
    const first = Math.max(Math.floor((from - 2400) / piece), 0);
    const last = Math.min(Math.floor((from + count + 2400) / piece), pieces - 1);
    const waiting = [];
    for (let number = first; number <= last; number += 1) {
      for (const part of parts) {
        const key = `${part} ${number}`;
        const known = this.pieces.get(key);
        this.pieces.delete(key);  // those used last stand last
        this.pieces.set(key, known ?? this.open(key, part, number));
        if (!(known instanceof Float32Array)) waiting.push(this.pieces.get(key));
      }
    }
    const most = 3 * Math.max(parts.length, 1);
    for (const key of this.pieces.keys()) {
      if (this.pieces.size <= most) break;
      this.pieces.delete(key);
    }
    return waiting;
  }

  async open(key, part, number) {
    try {
      const bytes = await this.load(part, number);
      this.shop ??= new OfflineAudioContext(1, 1, this.head.rate);
      const all = (await this.shop.decodeAudioData(bytes)).getChannelData(0);
      const begins = Math.round(this.lag(all) + this.head.lead * this.head.rate);
      const samples = all.subarray(begins, begins + this.head.piece + 2 * this.head.over);
      if (this.pieces.has(key)) this.pieces.set(key, samples);
      return samples;
    } catch (error) {
      this.pieces.delete(key);
      throw error;
    }
  }

  // How many frames late the browser's decoder is: the middle of the knock, less where it was put.
  lag(all) {
    const {rate, knock} = this.head;
    const heard = all.subarray(0, Math.round(rate * (knock + 0.13)));
    let peak = 0;
    for (let i = 0; i < heard.length; i += 1) if (Math.abs(heard[i]) > Math.abs(heard[peak])) peak = i;
    let sum = 0, moment = 0;
    const around = Math.round(rate * 0.012);
    for (let i = Math.max(0, peak - around); i < Math.min(heard.length, peak + around); i += 1) {
      sum += heard[i] ** 2;
      moment += i * heard[i] ** 2;
    }
    return sum ? moment / sum - knock * rate : 0;
  }

  // Fill an array with the frames of a part; silence where there are none. Over the joins of two pieces one fades into the other.
  read(part, from, out) {
    const {piece, over} = this.head;
    const count = out.length;
    out.fill(0);
    const fade = over / 4;
    const first = Math.floor((from - fade) / piece), last = Math.floor((from + count + fade) / piece);
    for (let number = first; number <= last; number += 1) {
      const samples = this.pieces.get(`${part} ${number}`);
      if (!(samples instanceof Float32Array)) continue;
      const base = number * piece - over;
      const low = Math.max(from, number ? number * piece - fade : from);
      const high = Math.min(from + count, (number + 1) * piece + fade, base + samples.length);
      for (let at = Math.max(low, base); at < high; at += 1) {
        const into = number ? Math.min((at - number * piece + fade) / (2 * fade), 1) : 1;
        const left = number + 1 < this.head.pieces ? Math.min(((number + 1) * piece + fade - at) / (2 * fade), 1) : 1;
        out[at - from] += samples[at - base] * Math.min(into, left);
      }
    }
  }
}
