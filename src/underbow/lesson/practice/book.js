// What this browser remembers of a sheet: bars marked as hard, and what was practised how fast. Nothing leaves it.
class Book {
  constructor(name) {
    this.name = `underbow: ${name}`;
    this.kept = true;
    this.hard = [];   // printed bars, as text
    this.lines = [];  // [day, what, tempo, seconds, rounds]
    try {
      const known = JSON.parse(localStorage.getItem(this.name) ?? "{}");
      if (Array.isArray(known.hard)) this.hard = known.hard.map(String);
      if (Array.isArray(known.lines)) this.lines = known.lines.filter((line) => Array.isArray(line) && line.length === 5);
      localStorage.setItem(this.name, JSON.stringify({hard: this.hard, lines: this.lines}));
    } catch {
      this.kept = false;
    }
  }

  keep() {
    if (!this.kept) return;
    try {
      localStorage.setItem(this.name, JSON.stringify({hard: this.hard, lines: this.lines}));
    } catch {
      this.kept = false;
    }
  }

  clear() {
    this.lines = [];
    this.keep();
  }

  isHard(bar) { return this.hard.includes(String(bar)); }

  toggle(bar) {
    this.hard = this.isHard(bar) ? this.hard.filter((one) => one !== String(bar)) : [...this.hard, String(bar)];
    this.keep();
  }

  // Add time, or a round, to today's line of something that is practised.
  add(what, tempo, seconds, rounds) {
    const now = new Date();
    const day = [now.getFullYear(), now.getMonth() + 1, now.getDate()].map((n) => String(n).padStart(2, "0")).join("-");
    let line = this.lines.find((one) => one[0] === day && one[1] === what && one[2] === tempo);
    if (!line) {
      line = [day, what, tempo, 0, 0];
      this.lines.push(line);
      if (this.lines.length > 400) this.lines.shift();
    }
    line[3] += seconds;
    line[4] += rounds;
  }

  // As text, one line each, the latest first; what took less than five seconds is left out.
  text(words) {
    return this.lines.filter((line) => line[3] >= 5).toReversed().map(([day, what, tempo, seconds, rounds]) => [
      `${day}: ${what}, ${tempo}, ${fill(words.log_minutes, {minutes: Math.max(Math.round(seconds / 6) / 10, 0.1)})}`,
      ...(rounds ? [fill(words.log_rounds, {count: rounds})] : []),
    ].join(", ")).join("\n");
  }
}
