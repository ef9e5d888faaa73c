// The picture: what to hold, what comes, and where the bow is, drawn from a place in the music.
class View {
  constructor(data, words, score) {
    Object.assign(this, {data, words, score, shown: {}});
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

  // Write a text only where it is another: what is under a finger must not be replaced while it is pressed.
  write(element, text) {
    this.change(`text ${element.id}`, text, () => { element.textContent = text; });
  }

  // Draw a place of the music (milliseconds). how: loop as [from, to] or null, tempo (own one or null), round (or 0),
  // and during a count-in the beats of it that are left.
  show(time, {loop = null, tempo = null, round = 0, waiting = 0} = {}) {
    const {data, words, score} = this;
    const pass = score.passAt(time);
    const bar = lastAt(data.bars, time + 0.5);
    const chord = lastAt(data.chords, time + 0.5);
    const hand = chord < 0 ? -1 : data.chords[chord][1];
    const coming = waiting ? {hand, time} : this.coming(time, hand, loop);
    this.change("pass", `${pass} ${round}`, () => this.drawPass(pass, round, tempo));
    this.change("bar", `${bar} ${pass} ${time + 0.5 >= data.passes[0][0]} ${loop}`, () => this.drawBar(bar, pass, loop));
    this.change("tempo", tempo ?? Math.round(score.count(pass, time)), (count) => this.drawTempo(count));
    this.change("hand", waiting ? "counting" : hand, () => this.drawHand($("now"), waiting ? -1 : hand, [], waiting ? words.count_in : words.no_chord));
    this.change("coming", `${waiting > 0} ${hand} ${coming.hand} ${coming.same}`, () => this.drawComing(waiting ? -1 : hand, coming));
    this.change("left", waiting || (coming.hand < 0 ? "" : this.beatsLeft(time, coming.time, loop)), (n) => this.drawLeft(n));
    this.lightCell(bar, waiting ? -1 : time);
    this.lightNote(time);
  }

  // The next hand and when it comes; in a loop the one after its end is the one at its beginning.
  coming(time, hand, loop) {
    const {chords} = this.data;
    const end = loop ? loop[1] : Infinity;
    for (let i = lastAt(chords, time + 0.5) + 1; i < chords.length && chords[i][0] < end; i += 1) {
      if (chords[i][1] !== hand) return {hand: chords[i][1], time: chords[i][0]};
    }
    if (!loop) return {hand: -1, time: 0};
    for (let i = Math.max(lastAt(chords, loop[0] + 0.5), 0); i < chords.length && chords[i][0] < end; i += 1) {
      if (chords[i][1] !== hand) return {hand: chords[i][1], time: end + Math.max(chords[i][0] - loop[0], 0)};
    }
    return {hand, time: end, same: true};
  }

  // Beats from now to a change, the one under way included.
  beatsLeft(time, change, loop) {
    const count = (from, to) => lastAt(this.data.beats, to + 0.5, self) - lastAt(this.data.beats, from + 0.5, self);
    if (!loop || change <= loop[1]) return Math.max(count(time, change), 1);
    return Math.max(count(time, loop[1]) + count(loop[0], loop[0] + change - loop[1]), 1);
  }

  tempoSaid(count) {
    const {beat} = this.data;
    return fill(this.words.tempo, {beat: this.words[`beat_${beat}`] ?? beat, count});
  }

  // The beat as a written note, for the eye; in words for the ear.
  drawTempo(count) {
    $("w-tempo").innerHTML = this.data.note
      + ` <span aria-hidden="true">${count}</span><span class="unseen"></span>`;
    $("w-tempo").lastChild.textContent = this.tempoSaid(count);
  }

  drawPass(pass, round, tempo) {
    const {words, data} = this;
    this.write($("w-pass-name"), round ? words.round : fill(words.pass_of, {count: data.passes.length}));
    this.write($("w-pass"), String(round || pass + 1));
    document.querySelectorAll("#passes li button").forEach((button, i) => {
      if (i === pass && !tempo) button.setAttribute("aria-current", "step"); else button.removeAttribute("aria-current");
      if (i === pass) button.parentElement.parentElement.scrollLeft = button.offsetLeft - 120;
    });
  }

  // A bar by its printed number, with the time where it is played several times; the pickup by its name.
  barSaid(bar, pass) {
    const now = this.data.bars[bar];
    if (!now || now[1] !== pass) return this.words.pickup;
    return now[6] > 1 ? fill(this.words.bar_time, {number: now[2], time: nth(this.words, now[6])}) : String(now[2]);
  }

  drawBar(bar, pass, loop) {
    const {bars, sections} = this.data;
    const now = bars[bar];
    const inside = now && now[1] === pass;
    const section = inside ? sections[now[3]]?.[0] ?? "" : "";
    this.write($("w-bar-name"), section ? fill(this.words.bar_in, {section}) : this.words.bar);
    this.write($("w-bar"), inside ? String(now[2]) : this.words.pickup);
    $("w-bar").classList.toggle("long", !inside);
    const wrap = loop ? lastAt(bars, loop[0]) : -1;
    const next = loop && bars[bar + 1] && bars[bar + 1][0] >= loop[1] ? bars[wrap] : bars[bar + 1];
    this.change("picture", now ? now[4] : -1, (n) => { $("bow-now").innerHTML = this.pictures[n] ?? ""; this.drawn(); });
    this.change("next", next ? next[4] : -1, (n) => { $("bow-next").innerHTML = this.pictures[n] ?? ""; });
    if (!now) this.change("picture", -2, () => { $("bow-now").innerHTML = this.pictures[next?.[4]] ?? ""; this.drawn(); });
  }

  drawn() {
    this.cells = [...$("bow-now").querySelectorAll(".cell")];
    this.point = $("bow-now").querySelector(".place");
    this.shown.cell = this.shown.point = undefined;
  }

  drawHand(box, number, kept, nothing) {
    const hand = this.data.hands[number];
    box.classList.toggle("bare", !hand?.stops.length);
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

  drawComing(hand, {hand: next, same = false}) {
    const kept = hand >= 0 && next >= 0 && !same ? this.data.stays[hand][next] : [];
    this.drawHand($("next"), next, kept, next >= 0 ? this.words.no_chord : this.words.the_end);
    const words = kept.length > 1 ? this.words.stays_many : this.words.stays_one;
    $("next").querySelector(".stays").textContent = same ? this.words.same : kept.length ? fill(words, {fingers: kept.join(" + ")}) : "";
  }

  drawLeft(count) {
    $("left-n").textContent = count;
    $("left-knots").replaceChildren(...Array.from({length: Math.min(count || 0, 8)}, () => document.createElement("i")));
  }

  lightCell(bar, time) {
    const now = this.data.bars[bar];
    const cell = now ? lastAt(now[5], time + 0.5, self) : -1;
    this.change("cell", cell, () => this.cells.forEach((rect, i) => rect.classList.toggle("lit", i === cell)));
    if (!this.point) return;
    const way = now && this.wayAt(bar, time);
    this.change("point", Boolean(way), (on) => { this.point.style.visibility = on ? "visible" : "hidden"; });
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
    const note = this.data.notes[lastAt(this.data.notes, time + 0.5)];
    this.change("note", note ? `${note[1]}-${note[2]}` : "", (name) => {
      document.querySelectorAll(".music .played").forEach((e) => e.classList.remove("played"));
      this.notes.get(name)?.forEach((e) => e.classList.add("played"));
    });
    this.change("measure", note ? String(note[1]) : "", (name) => this.markMeasure(name));
  }

  markMeasure(name) {
    this.mark("bar-mark", this.measures.get(name) ?? []);
    const mark = [...document.querySelectorAll(".bar-mark")].find((e) => e.getClientRects().length);
    if (mark) this.bring(mark);
  }

  // Lay a mark of a class over the staff of measures.
  mark(kind, measures) {
    document.querySelectorAll(`.${kind}`).forEach((mark) => mark.remove());
    for (const measure of measures) {
      const staff = measure.querySelector(".staff");
      if (!staff?.getClientRects().length) continue;
      const box = staff.getBBox(), lines = staff.querySelector(":scope > path")?.getBBox() ?? box;  // syllables reach past the bar line
      const mark = document.createElementNS("http://www.w3.org/2000/svg", "rect");
      mark.setAttribute("class", kind);
      const high = kind === "hard-mark" ? {y: box.y + box.height + 120, height: 90} : {y: box.y - 250, height: box.height + 500};
      for (const [side, value] of Object.entries({x: lines.x, width: lines.width, ...high})) mark.setAttribute(side, value);
      measure.prepend(mark);
    }
  }

  // Where the tune has a window of its own, turn it to the line that is played.
  bring(mark) {
    const window = $("notation");
    if (window.scrollHeight <= window.clientHeight + 4) return;
    const [line, box] = [mark.getBoundingClientRect(), window.getBoundingClientRect()];
    const above = line.height / 3;  // the chords
    if (line.top - above >= box.top && line.bottom <= box.bottom) return;
    window.scrollTop += line.top - above - box.top - Math.max((box.height - line.height - above) / 2, 0);
  }

  // A place in words, for those who listen.
  said(time) {
    const {data, words, score} = this;
    const pass = score.passAt(time);
    const chord = data.chords[lastAt(data.chords, time + 0.5)];
    const name = (chord && data.hands[chord[1]].chord) || words.no_chord;
    return fill(words.place_said, {pass: pass + 1, bar: this.barSaid(score.barAt(time), pass), chord: name});
  }
}
