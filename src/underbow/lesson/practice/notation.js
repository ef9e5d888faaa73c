// The tune as a place to point at: tap a bar to go there, draw across bars to repeat them; by keyboard bar by bar.
class Notation {
  constructor(view, score, words) {
    Object.assign(this, {view, score, words});
    this.ongo = () => {};     // (place)
    this.onrange = () => {};  // (first place, last place)
    this.onask = () => {};    // ("pick_first", "pick_last", or nothing)
    this.picking = null;      // "first", or the measure that was tapped first
    this.places = new Map();  // measure -> places in the tune, in order
    for (const [start, measure] of score.notes) {
      if (start >= score.passes[0][1]) break;
      const place = score.barAt(start);
      if (place < 0) continue;  // a pickup is no bar to repeat
      const known = this.places.get(String(measure)) ?? [];
      if (!known.includes(place)) known.push(place);
      this.places.set(String(measure), known);
    }
    this.bars = [...document.querySelectorAll(".music [data-measure]")].filter((bar) => this.places.has(bar.dataset.measure));
    for (const bar of this.bars) {
      const [, , number] = score.bars[score.place(0, this.places.get(bar.dataset.measure)[0])];
      bar.setAttribute("role", "button");
      const seen = [...bar.querySelectorAll("text")].map((text) => text.textContent.trim().replace(/\s+/g, " "));
      bar.setAttribute("aria-label", [fill(words.go_to_bar, {number}), ...seen].join(", "));
      bar.setAttribute("tabindex", "-1");
      bar.addEventListener("keydown", (event) => this.key(event, bar));
    }
    for (const music of document.querySelectorAll(".music")) {
      music.querySelector("[role=button]")?.setAttribute("tabindex", "0");
      music.addEventListener("pointerdown", (event) => { this.pressed = event.pointerType === "mouse" ? this.at(event) : null; });
      music.addEventListener("pointerup", (event) => this.drawn(event));
      music.addEventListener("click", (event) => this.tapped(event));
    }
  }

  // The measure under a press, or near it.
  at({clientX: x, clientY: y, currentTarget}) {
    const far = (box) => Math.max(box.top - y, y - box.bottom, 0);
    const [nearest] = [...currentTarget.querySelectorAll("[data-measure] .staff")]
      .map((staff) => ({bar: staff.closest("[data-measure]"), box: staff.getBoundingClientRect()}))
      .filter(({bar, box}) => box.left <= x && x < box.right && far(box) < 40 && this.places.has(bar.dataset.measure))
      .sort((a, b) => far(a.box) - far(b.box));
    return nearest?.bar.dataset.measure;
  }

  tapped(event) {
    const measure = this.at(event);
    if (measure === undefined || this.wasDrawn) return void (this.wasDrawn = false);
    this.choose(measure);
  }

  // The next two taps say what is repeated.
  pick(on = this.picking === null) {
    this.picking = on ? "first" : null;
    this.onask(on ? "pick_first" : "");
  }

  choose(measure) {
    if (this.picking === null) return this.ongo(this.places.get(measure)[0]);
    if (this.picking === "first") {
      this.picking = measure;
      return this.onask("pick_last");
    }
    const first = this.picking;
    this.pick(false);
    return this.range(first, measure);
  }

  drawn(event) {
    const measure = this.at(event);
    this.wasDrawn = this.pressed !== null && this.pressed !== undefined && measure !== undefined && measure !== this.pressed;
    if (this.wasDrawn) this.range(this.pressed, measure);
    this.pressed = null;
  }

  // Repeat from one measure to another; the last is meant as it comes after the first.
  range(one, other) {
    const [a, b] = [this.places.get(one), this.places.get(other)];
    const [first, last] = a[0] <= b[0] ? [a, b] : [b, a];
    this.onrange(first[0], last.find((place) => place >= first[0]) ?? last.at(-1));
  }

  key(event, bar) {
    const row = this.bars.filter((one) => one.closest(".music") === bar.closest(".music"));
    const step = {ArrowLeft: -1, ArrowRight: 1, Home: -row.length, End: row.length}[event.key];
    if (step) {
      const next = row[Math.min(Math.max(row.indexOf(bar) + step, 0), row.length - 1)];
      bar.setAttribute("tabindex", "-1");
      next.setAttribute("tabindex", "0");
      next.focus();
    } else if (event.key === "Enter") {
      this.choose(bar.dataset.measure);
    } else return;
    event.preventDefault();
    event.stopPropagation();
  }

  // Mark what is repeated and what is hard.
  show(loop, book) {
    const inside = (test) => this.bars.filter((bar) => this.places.get(bar.dataset.measure).some(test));
    this.view.mark("loop-mark", loop ? inside((place) => loop[0] <= place && place <= loop[1]) : []);
    this.view.mark("hard-mark", inside((place) => book.isHard(this.score.bars[this.score.place(0, place)][2])));
  }
}
