// The picture: what to hold, what comes, and where the bow is, drawn from a place in the music.
const $ = (id) => document.getElementById(id);
const fill = (text, values) => text.replace(/\{(\w+)\}/g, (all, name) => values[name] ?? all);

// The last of a sorted list that isn't after a time; -1 before the first.
function lastAt(list, time, start = (item) => item[0]) {
  let low = -1, high = list.length;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (start(list[middle]) <= time) low = middle; else high = middle;
  }
  return low;
}
const self = (item) => item;

class View {
  constructor(data, words) {
    Object.assign(this, {data, words, shown: {}});
    this.pictures = data.pictures.map((picture) => picture.svg);
    this.pen = document.createElement("canvas").getContext("2d");  // measures how wide a chord's name is
    this.measures = new Map();
    this.notes = new Map();
    document.querySelectorAll(".music [data-measure]").forEach((e) => this.collect(this.measures, e.dataset.measure, e));
    document.querySelectorAll(".music [data-note]").forEach((e) => this.collect(this.notes, e.dataset.note, e));
  }

  collect(map, name, element) {
    if (!map.has(name)) map.set(name, []);
    map.get(name).push(element);
  }

  // Do something only when what is to be shown has changed.
  change(what, value, draw) {
    if (this.shown[what] === value) return;
    this.shown[what] = value;
    draw(value);
  }

  // Draw a place (milliseconds) of the music; loop is [from, to] or null.
  show(time, loop) {
    const {data, words} = this;
    const bar = lastAt(data.bars, time);
    const pass = Math.max(lastAt(data.passes, time), 0);
    const chord = lastAt(data.chords, time);
    const hand = chord < 0 ? -1 : data.chords[chord][1];
    const coming = this.coming(time, hand, loop);
    this.change("pass", pass, () => this.drawPass(pass));
    this.change("bar", `${bar} ${pass} ${time >= data.passes[0][0]} ${time < data.tuned} ${loop}`, () => this.drawBar(bar, pass, time, loop));
    this.change("tempo", this.tempo(pass, time), () => this.drawTempo(pass, time));
    const nothing = time < data.passes[0][0] ? this.before(time) : words.no_chord;
    this.change("hand", `${hand} ${nothing}`, () => this.drawHand($("now"), hand, [], nothing));
    this.change("coming", `${hand} ${coming.hand}`, () => this.drawComing(hand, coming.hand));
    this.change("left", coming.hand < 0 || time < data.tuned ? "" : this.beatsLeft(time, coming.time, loop), (n) => this.drawLeft(n));
    this.lightCell(bar, time);
    this.lightNote(time);
  }

  // What is heard before the first pass.
  before(time) {
    return time < this.data.tuned ? this.words.tuning_notes : this.words.count_in;
  }

  // The next hand and when it comes; in a loop the one after its end is the one at its beginning.
  coming(time, hand, loop) {
    const {chords} = this.data;
    const end = loop ? loop[1] : Infinity;
    for (let i = lastAt(chords, time) + 1; i < chords.length && chords[i][0] < end; i += 1) {
      if (chords[i][1] !== hand) return {hand: chords[i][1], time: chords[i][0]};
    }
    if (!loop) return {hand: -1, time: 0};
    for (let i = Math.max(lastAt(chords, loop[0]), 0); i < chords.length && chords[i][0] < end; i += 1) {
      if (chords[i][1] !== hand) return {hand: chords[i][1], time: end + Math.max(chords[i][0] - loop[0], 0)};
    }
    return {hand: -1, time: 0};
  }

  // Beats from now to a change, the one under way included.
  beatsLeft(time, change, loop) {
    const count = (from, to) => lastAt(this.data.beats, to, self) - lastAt(this.data.beats, from, self);
    if (!loop || change <= loop[1]) return Math.max(count(time, change), 1);
    return Math.max(count(time, loop[1]) + count(loop[0], loop[0] + change - loop[1]), 1);
  }

  // Beats a minute, where a glide has got to.
  count(pass, time) {
    const [from, to, slow, fast] = this.data.passes[pass];
    const share = Math.min(Math.max((time - from) / (to - from), 0), 1);
    return Math.round(slow + (fast - slow) * share);
  }

  tempo(pass, time) {
    const {beat} = this.data;
    return fill(this.words.tempo, {beat: this.words[`beat_${beat}`] ?? beat, count: this.count(pass, time)});
  }

  // The beat as a written note, for the eye; in words for the ear.
  drawTempo(pass, time) {
    const [top, bottom] = this.data.beat.split("/").map(Number);
    const dotted = top === 3;
    const value = dotted ? bottom / 2 : bottom / top;
    const stem = value > 1 ? `<path d="M10 15V1${value > 4 ? "c0 5 5 5 4 9" : ""}${value > 8 ? "M10 5c0 5 5 5 4 9" : ""}" fill="none"/>` : "";
    const head = `<ellipse cx="6" cy="15.500" rx="4.200" ry="3" transform="rotate(-20 6 15.500)"${value < 4 ? ' fill="none"' : ""}/>`;
    const dot = dotted ? '<circle cx="14" cy="15" r="1.200"/>' : "";
    $("w-tempo").innerHTML = `<svg class="note" viewBox="0 0 17 20" aria-hidden="true">${head}${stem}${dot}</svg>`
      + ` <span aria-hidden="true">= ${this.count(pass, time)}</span><span class="unseen"></span>`;
    $("w-tempo").lastChild.textContent = this.tempo(pass, time);
  }

  drawPass(pass) {
    $("w-pass").textContent = fill(this.words.pass_of, {number: pass + 1, count: this.data.passes.length});
    document.querySelectorAll("#passes button").forEach((button, i) => {
      if (i === pass) button.setAttribute("aria-current", "step"); else button.removeAttribute("aria-current");
      if (i === pass) button.parentElement.parentElement.scrollLeft = button.offsetLeft - 120;
    });
  }

  drawBar(bar, pass, time, loop) {
    const {bars, passes, sections} = this.data;
    const now = bars[bar];
    const pickup = now ? now[1] !== pass : time >= passes[0][0];
    const section = now && !pickup ? sections[now[3]][0] : "";
    const number = pickup ? this.words.pickup : now ? fill(this.words.bar_of, {number: now[2]}) : this.before(time);
    $("w-bar").textContent = section ? `${fill(this.words.section, {name: section})}, ${number}` : number;
    const wrap = loop ? lastAt(bars, loop[0]) : -1;
    const next = loop && bars[bar + 1] && bars[bar + 1][0] >= loop[1] ? bars[wrap] : bars[bar + 1];
    this.change("picture", now ? now[4] : -1, (n) => { $("bow-now").innerHTML = this.pictures[n] ?? ""; this.drawn(); });
    this.change("next", next ? next[4] : -1, (n) => { $("bow-next").innerHTML = this.pictures[n] ?? ""; });
    if (!now) this.change("picture", -2, () => { $("bow-now").innerHTML = this.pictures[next[4]]; this.drawn(); });
  }

  drawn() {
    this.cells = [...$("bow-now").querySelectorAll(".cell")];
    this.point = $("bow-now").querySelector(".place");
    this.shown.cell = undefined;
  }

  drawHand(box, number, kept, nothing) {
    const hand = this.data.hands[number];
    const name = box.querySelector(".chord");
    const text = hand ? hand.chord || nothing : nothing;
    name.textContent = text;
    this.pen.font = `700 100px ${getComputedStyle(name).fontFamily}`;
    name.style.setProperty("--ems", Math.max(this.pen.measureText(text).width / 100, 0.3).toFixed(2));
    const stops = box.querySelector(".stops");
    stops.replaceChildren(...(hand?.stops ?? []).map(([string, finger]) => {
      const line = document.createElement("p");
      const letter = line.appendChild(document.createElement("i"));
      const digit = line.appendChild(document.createElement("b"));
      letter.textContent = string;
      digit.textContent = finger;
      digit.classList.toggle("finger", finger !== "0");
      digit.classList.toggle("kept", kept.includes(Number(finger.slice(-1))));
      return line;
    }));
    stops.dataset.position = hand?.position ?? "";
    stops.classList.toggle("flat", Boolean(hand?.flat));
    stops.classList.toggle("kept", kept.length > 0);
    box.querySelector(".neck").innerHTML = hand?.svg ?? "";
  }

  drawComing(hand, next) {
    const kept = hand >= 0 && next >= 0 ? this.data.stays[hand][next] : [];
    this.drawHand($("next"), next, kept, next >= 0 ? this.words.no_chord : this.words.the_end);
    const words = kept.length > 1 ? this.words.stays_many : this.words.stays_one;
    $("next").querySelector(".stays").textContent = kept.length ? fill(words, {fingers: kept.join(" + ")}) : "";
  }

  drawLeft(count) {
    $("left-n").textContent = count;
    $("left-knots").replaceChildren(...Array.from({length: Math.min(count || 0, 8)}, () => document.createElement("i")));
  }

  lightCell(bar, time) {
    const now = this.data.bars[bar];
    const cell = now ? lastAt(now[5], time, self) : -1;
    this.change("cell", cell, () => this.cells.forEach((rect, i) => rect.classList.toggle("lit", i === cell)));
    if (!this.point) return;
    const way = now && this.wayAt(bar, time);
    this.point.style.visibility = way ? "visible" : "hidden";
    if (way) {
      this.point.setAttribute("cx", way[0]);
      this.point.setAttribute("cy", way[1]);
    }
  }

  // Where the hair meets the string: straight along each stroke, in the time that it has.
  wayAt(bar, time) {
    const {bars, pictures, end} = this.data;
    const [start, , , , picture, cells] = bars[bar];
    const to = bars[bar + 1]?.[0] ?? end;
    const x = 1 + 320 * Math.min((time - start) / (to - start), 1);
    const way = pictures[picture].travel.find(([x1, , x2]) => x1 <= x && x < x2);
    return cells.length && way ? [x, way[1] + (way[3] - way[1]) * (x - way[0]) / (way[2] - way[0])] : null;
  }

  lightNote(time) {
    const note = this.data.notes[lastAt(this.data.notes, time)];
    this.change("note", note ? `${note[1]}-${note[2]}` : "", (name) => {
      document.querySelectorAll(".music .played").forEach((e) => e.classList.remove("played"));
      this.notes.get(name)?.forEach((e) => e.classList.add("played"));
    });
    this.change("measure", note ? String(note[1]) : "", (name) => this.markMeasure(name));
  }

  markMeasure(name) {
    document.querySelectorAll(".bar-mark").forEach((mark) => mark.remove());
    for (const measure of this.measures.get(name) ?? []) {
      const lines = measure.querySelector(".staff");
      if (!lines?.getClientRects().length) continue;
      const box = lines.getBBox();
      const mark = document.createElementNS("http://www.w3.org/2000/svg", "rect");
      mark.setAttribute("class", "bar-mark");
      for (const [side, value] of Object.entries({x: box.x, y: box.y - 250, width: box.width, height: box.height + 500})) {
        mark.setAttribute(side, value);
      }
      measure.prepend(mark);
    }
  }

  // A place in words, for those who listen.
  said(time) {
    const bar = this.data.bars[lastAt(this.data.bars, time)];
    const chord = this.data.chords[lastAt(this.data.chords, time)];
    const pass = Math.max(lastAt(this.data.passes, time), 0) + 1;
    if (!bar) return this.before(time);
    const name = (chord && this.data.hands[chord[1]].chord) || this.words.no_chord;
    return fill(this.words.place_said, {pass, bar: bar[2], chord: name});
  }
}
