// Slower or faster at the same pitch: waveform-similarity overlap-add, its joins held fast at the attacks.
//
// Half-overlapping slices of the sound are laid at their new places; each is taken from where it goes on best from the slice
// before (W. Verhelst and M. Roelands, "An overlap-add technique based on waveform similarity", ICASSP 1993). Where an attack
// is known, the slices over it are taken from exactly there, so that it stays as sharp as it was and lies where the clock
// wants it; between two attacks no slice reaches over either, so that none is heard twice.
class Stretch {
  // rate in hertz; read(from, count) gives frames of the sound; onsets are its attacks, sorted frames.
  constructor(rate, read, onsets = []) {
    Object.assign(this, {rate, read, onsets});
    this.half = Math.round(rate * 0.024);
    this.reach = Math.round(rate * 0.014);
    this.window = Float32Array.from({length: 2 * this.half}, (_, i) => 0.5 - 0.5 * Math.cos(Math.PI * (i + 0.5) / this.half));
  }

  // Begin at a frame of the result. points: [frame of the result, frame of the sound], both rising; straight between them and beyond.
  begin(points, at) {
    const {half} = this;
    this.points = points;
    this.plain = points.every(([out, sound], i) => !i || Math.abs(sound - points[i - 1][1] - (out - points[i - 1][0])) < 0.51);
    this.at = at;
    this.slice = at - half;
    this.rest = new Float32Array(half);
    this.before = null;
    if (!this.plain) this.step();  // its first half is not asked for
    this.ready = new Float32Array(0);
  }

  // The next frames of the result.
  next(count) {
    if (this.plain) {
      const sound = this.read(Math.round(this.sound(this.at)), count);
      this.at += count;
      return sound;
    }
    const out = new Float32Array(count);
    for (let done = 0; done < count;) {
      if (!this.ready.length) this.step();
      const piece = this.ready.subarray(0, count - done);
      out.set(piece, done);
      this.ready = this.ready.subarray(piece.length);
      done += piece.length;
    }
    this.at += count;
    return out;
  }

  // Frame of the sound that belongs to one of the result, and the other way.
  sound(out) { return along(this.points, out, 0, 1); }
  result(sound) { return along(this.points, sound, 1, 0); }

  step() {
    const {half, window} = this;
    const from = Math.round(this.choose());
    const slice = this.read(from, 2 * half);
    const ready = new Float32Array(half), rest = new Float32Array(half);
    for (let i = 0; i < half; i += 1) {
      ready[i] = this.rest[i] + slice[i] * window[i];
      rest[i] = slice[half + i] * window[half + i];
    }
    Object.assign(this, {ready, rest, before: from});
    this.slice += half;
  }

  // Where the slice that is next is taken from.
  choose() {
    const {half, reach, slice, onsets} = this;
    const wanted = this.sound(slice);
    const edge = half / 4;
    let last = -Infinity, coming = Infinity, held = null, far = Infinity;
    const near = this.sound(slice - half), upto = this.sound(slice + 3 * half);
    for (let i = Math.max(lastAt(onsets, near, self), 0); i < onsets.length; i += 1) {
      const out = this.result(onsets[i]);
      if (out < slice) last = onsets[i];
      else if (out >= slice + 2 * half - edge) { coming = onsets[i]; break; }
      else if (Math.abs(out - slice - half) < far) [held, far] = [onsets[i] - (out - slice), Math.abs(out - slice - half)];
      if (onsets[i] > upto + 4 * half) break;
    }
    if (held !== null) return held;
    if (this.before === null) return wanted;
    const high = Math.min(wanted + reach, coming - 2 * half + edge);
    const low = Math.min(Math.max(wanted - reach, last), Math.max(high, last));  // rather far off than the attack twice
    return this.alike(this.before + half, Math.round(low), Math.round(Math.max(high, low)));
  }

  // The frame between low and high from where the sound is most like what it is from a frame on.
  alike(from, low, high) {
    if (high <= low) return low;
    const {half} = this;
    const target = this.read(from, half);
    const field = this.read(low, high - low + half);
    const score = (lag, step) => {
      let both = 0, own = 1e-9;
      for (let i = 0; i < half; i += step) {
        both += target[i] * field[lag + i];
        own += field[lag + i] * field[lag + i];
      }
      return both / Math.sqrt(own);
    };
    let best = 0, top = -Infinity;
    const look = (lag, step) => {
      const found = score(lag, step);
      if (found > top) [best, top] = [lag, found];
    };
    for (let lag = 0; lag <= high - low; lag += 4) look(lag, 4);
    const coarse = best;
    top = -Infinity;
    for (let lag = Math.max(coarse - 5, 0); lag <= Math.min(coarse + 5, high - low); lag += 1) look(lag, 2);
    return low + best;
  }
}

// The value on a line through points, straight beyond both ends; x and y say which column is which.
function along(points, value, x, y) {
  let i = 1;
  while (i < points.length - 1 && points[i][x] <= value) i += 1;
  const [a, b] = [points[i - 1], points[i]];
  return a[y] + (value - a[x]) * (b[y] - a[y]) / (b[x] - a[x]);
}
