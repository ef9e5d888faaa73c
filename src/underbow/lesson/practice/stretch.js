// Slower or faster at the same pitch: waveform-similarity overlap-add, its joins held fast at the attacks.
//
// Half-overlapping slices of the sound are laid at their new places; each is taken from where it goes on best from the slice
// before (W. Verhelst and M. Roelands, "An overlap-add technique based on waveform similarity", ICASSP 1993). Where an attack
// is known, the slices over it are taken from exactly there, so that it stays as sharp as it was and lies where the clock
// wants it; between two attacks no slice reaches over either, so that none is heard twice.
//
// Of two notes at once no join suits both: each slips a little, and always the same way, which is heard as a wrong pitch. So of
// all joins that are nearly as good as the best that one is taken which also goes on from the slices before the last.
const KEPT = 8;         // slices that are gone on from
const OLDER = 1.4;      // how much more each older one counts
const AS_GOOD = 0.1;    // of the likeness, 1 at the most, that a join may lose by it: a quarter of a decibel in its middle
class Stretch {
  // rate in hertz; read(from, out) fills an array with frames of the sound; onsets are its attacks, sorted frames.
  constructor(rate, read, onsets = []) {
    Object.assign(this, {rate, read, onsets});
    this.half = Math.round(rate * 0.024);
    this.reach = Math.round(rate * 0.024);
    const {half, reach} = this;  // what every slice is worked in: a page that plays for an hour must not leave heaps behind
    const field = 2 * reach + 2;
    [this.slice, this.ready, this.rest] = [2 * half, half, half].map((size) => new Float32Array(size));
    [this.last, this.older, this.whole] = [half, half, half].map((size) => new Float32Array(size));
    [this.field, this.near, this.far] = [field + half, field, field].map((size) => new Float32Array(size));
    this.window = Float32Array.from({length: 2 * this.half}, (_, i) => 0.5 - 0.5 * Math.cos(Math.PI * (i + 0.5) / this.half));
  }

  // Begin at a frame of the result. points: [frame of the result, frame of the sound], both rising; straight between them and beyond.
  begin(points, at) {
    const {half} = this;
    this.points = points;
    this.plain = points.every(([out, sound], i) => !i || Math.abs(sound - points[i - 1][1] - (out - points[i - 1][0])) < 0.51);
    this.at = at;
    this.lies = at - half;  // where the slice that is next is laid
    this.rest.fill(0);
    this.taken = [];  // where the slices before came from, the last first, since an attack
    if (!this.plain) this.step();
    this.used = half;       // of what is ready; its first half is not asked for
  }

  // Fill an array with the next frames of the result, and give it back.
  next(out) {
    if (this.plain) this.read(Math.round(this.sound(this.at)), out);
    else for (let done = 0; done < out.length;) {
      if (this.used === this.half) this.step();
      const count = Math.min(this.half - this.used, out.length - done);
      out.set(this.ready.subarray(this.used, this.used + count), done);
      this.used += count;
      done += count;
    }
    this.at += out.length;
    return out;
  }

  // Frame of the sound that belongs to one of the result, and the other way.
  sound(out) { return along(this.points, out, 0, 1); }
  result(sound) { return along(this.points, sound, 1, 0); }

  step() {
    const {half, window, slice, ready, rest} = this;
    const from = Math.round(this.choose());
    this.read(from, slice);
    for (let i = 0; i < half; i += 1) {
      ready[i] = this.rest[i] + slice[i] * window[i];
      rest[i] = slice[half + i] * window[half + i];
    }
    this.taken.unshift(from);
    if (this.taken.length > KEPT) this.taken.pop();
    this.used = 0;
    this.lies += half;
  }

  // Where the slice that is next is taken from.
  choose() {
    const {half, reach, lies, onsets} = this;
    const wanted = this.sound(lies);
    const edge = half / 4;
    let last = -Infinity, coming = Infinity, held = null, far = Infinity;
    const near = this.sound(lies - half), upto = this.sound(lies + 3 * half);
    for (let i = Math.max(lastAt(onsets, near, self), 0); i < onsets.length; i += 1) {
      const out = this.result(onsets[i]);
      if (out < lies) last = onsets[i];
      else if (out >= lies + 2 * half - edge) { coming = onsets[i]; break; }
      else if (Math.abs(out - lies - half) < far) [held, far] = [onsets[i] - (out - lies), Math.abs(out - lies - half)];
      if (onsets[i] > upto + 4 * half) break;
    }
    if (held !== null) this.taken = [];
    if (!this.taken.length) return held ?? wanted;
    const high = Math.min(wanted + reach, coming - 2 * half + edge);
    const low = Math.min(Math.max(wanted - reach, last), Math.max(high, last));  // rather far off than the attack twice
    return this.alike(Math.round(low), Math.round(Math.max(high, low)), coming);
  }

  // The frame between low and high from where the sound goes on best; coming is the next attack.
  alike(low, high, coming) {
    if (high <= low) return low;
    const {half, near, far, last, whole, older} = this;
    const count = high - low + 1;
    const field = this.field.subarray(0, high - low + half);
    this.read(low, field);
    this.read(this.taken[0] + half, last);
    whole.set(last);
    for (let i = 1; i < this.taken.length; i += 1) {
      const from = this.taken[i] + (i + 1) * half;
      if (from + half > coming) continue;
      this.read(from, older);
      for (let k = 0; k < half; k += 1) whole[k] += older[k] * OLDER ** i;
    }
    const energy = last.reduce((sum, x) => sum + x * x, 1e-9);
    const look = (lag, step) => {
      let one = 0, all = 0, own = 1e-9;
      for (let i = 0; i < half; i += step) {
        const x = field[lag + i];
        one += last[i] * x;
        all += whole[i] * x;
        own += x * x;
      }
      near[lag] = one / Math.sqrt(own * energy / step);
      far[lag] = all / Math.sqrt(own);
    };
    const pick = (loss) => {
      let best = 0, top = -Infinity;
      for (let lag = 0; lag < count; lag += 1) top = Math.max(top, near[lag]);
      for (let lag = 0; lag < count; lag += 1) if (near[lag] >= top - loss && !(near[best] >= top - loss && far[best] >= far[lag])) best = lag;
      return best;
    };
    near.fill(-Infinity);
    for (let lag = 0; lag < count; lag += 4) look(lag, 4);
    const coarse = pick(1.5 * AS_GOOD + 0.02);
    near.fill(-Infinity);
    for (let lag = Math.max(coarse - 8, 0); lag <= Math.min(coarse + 8, count - 1); lag += 1) look(lag, 2);
    return low + pick(AS_GOOD);
  }
}

// The value on a line through points, straight beyond both ends; x and y say which column is which.
function along(points, value, x, y) {
  let i = 1;
  while (i < points.length - 1 && points[i][x] <= value) i += 1;
  const [a, b] = [points[i - 1], points[i]];
  return a[y] + (value - a[x]) * (b[y] - a[y]) / (b[x] - a[x]);
}
