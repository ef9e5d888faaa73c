"""Showing a tune that was read: as JSON, as text for a terminal, and a book's list of tunes. Pure functions, no printing."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from fractions import Fraction
from textwrap import wrap

from underbow.text import nth
from underbow.theory.key import Key
from underbow.theory.pitch import LETTERS, PitchClass
from underbow.theory.progression import ChordSpan
from underbow.tune.tune import Bar, Heading, Melody, MelodyNote, Tune
from underbow.tune.written_out import write_out

LEAST_WIDTH = 40


class _TimeLine:
    """A melody's notes and chords by time, so that a bar's own are found without going through all of them."""

    def __init__(self, melody: Melody) -> None:
        self.notes, self.chords, self.pickup = melody.notes, melody.chords, melody.pickup
        self._starts = [note.start for note in melody.notes]
        self._begin, self._end = [span.start for span in melody.chords], [span.end for span in melody.chords]

    def notes_from(self, start: Fraction, end: Fraction) -> tuple[MelodyNote, ...]:
        """Notes that begin in a stretch of time."""
        return self.notes[bisect_left(self._starts, start) : bisect_left(self._starts, end)]

    def chords_in(self, start: Fraction, end: Fraction) -> tuple[ChordSpan, ...]:
        """Chords that sound in a stretch of time."""
        return self.chords[bisect_right(self._end, start) : bisect_left(self._begin, end)]


def tune_json(tune: Tune) -> dict[str, object]:
    r"""Give what was read, repeats written out.

    Returns
    -------
    dict
        Positions and lengths are quarter notes as text such as ``"1/2"``; ``chords`` and ``bars`` in the order played, bars by
        the numbers that are printed, with which time each is played.

    >>> from underbow.tune.abc.reader import read_abc
    >>> tune, = read_abc('X:7\nT:Try\nM:2/4\nL:1/8\nQ:1/4=96\nK:G\n"G"G2B2|"D7"A4|]')
    >>> shown = tune_json(tune)
    >>> shown["title"], shown["key"], shown["pickup"], shown["notes"][0]
    ('Try', 'G', '0', {'start': '0', 'length': '1', 'midi': 67, 'name': 'G4'})
    >>> shown["chords"][1], shown["sections"]
    ({'start': '2', 'length': '2', 'chord': 'D7'}, [{'name': 'A', 'first_bar': 1, 'time': 1, 'bars': 2}])
    """
    melody = write_out(tune)
    return {
        "title": tune.title,
        "number": tune.number,
        "composer": tune.composer,
        "rhythm": tune.rhythm,
        "key": str(tune.key),
        "meter": str(tune.meter),
        "free": not _meter(tune),
        "tempo": None if tune.tempo is None else {"beat": tune.tempo.beat_name, "count": float(tune.tempo.count)},
        "pickup": str(melody.pickup),
        "length": str(melody.length),
        "form": form(melody),
        "notes": [_note_json(note) for note in melody.notes],
        "chords": [
            {"start": str(span.start), "length": str(span.length), "chord": str(span.chord) if span.chord else None}
            for span in melody.chords
        ],
        "bars": [
            {
                "bar": bar.number,
                "time": bar.time,
                "start": str(bar.start),
                "length": str(bar.length),
                "section": bar.section,
            }
            for bar in melody.bars
        ],
        "sections": [
            {"name": s.name, "first_bar": s.bars[0].number, "time": s.bars[0].time, "bars": len(s.bars)}
            for s in melody.sections
        ],
        "told": [str(fault) for fault in tune.told],
        "passed_over": [str(fault) for fault in tune.passed_over],
    }


def _note_json(note: MelodyNote) -> dict[str, object]:
    shown: dict[str, object] = {
        "start": str(note.start),
        "length": str(note.length),
        "midi": note.midi,
        "name": str(note.pitch),
    }
    if note.bow:
        shown["bow"] = note.bow
    if note.slurred:
        shown["slurred"] = True
    if note.under:
        shown["under"] = [pitch.midi for pitch in note.under]
    if note.graces:
        shown["graces"] = [pitch.midi for pitch in note.graces]
    if note.marks:
        shown["marks"] = list(note.marks)
    return shown


def form(melody: Melody) -> str:
    r"""The sections as played: ``AABB``; with spaces where a name is longer than a letter.

    >>> from underbow.tune.abc.reader import read_abc
    >>> form(write_out(read_abc("X:1\nM:2/4\nL:1/8\nK:G\n|:G4|B4:|d4|g4:|")[0]))
    'AABB'
    """
    names = [section.name for section in melody.sections]
    return ("" if all(len(name) == 1 for name in names) else " ").join(names)


def book_text(tunes: Sequence[Heading], width: int = 80) -> str:
    r"""List the tunes of a book: number, title, rhythm, meter and key, a line each.

    >>> from underbow.tune.abc.headings import headings
    >>> print(book_text(headings("X:1\nT:One\nR:jig\nM:6/8\nK:D\nd6|\n\nX:12\nT:Two\nM:C\nK:Em\ne8|")))
     1  One  jig  6/8  D
    12  Two       C    Em
    """
    rows = [(str(t.number), t.title or "(no title)", t.rhythm, t.meter, t.key) for t in tunes]
    widths = [max((len(row[i]) for row in rows), default=0) for i in range(5)]
    widths[1] = min(widths[1], max(width - sum(widths) + widths[1] - 8, 8))
    lines = []
    for number, title, rhythm, meter, key in rows:
        short = title if len(title) <= widths[1] else title[: widths[1] - 1] + "…"
        line = f"{number:>{widths[0]}}  {short:<{widths[1]}}  {rhythm:<{widths[2]}}  {meter:<{widths[3]}}  {key}"
        lines.append(line.rstrip())
    return "\n".join(lines)


def tune_text(tune: Tune, width: int = 80) -> str:
    r"""Show a tune in a terminal: what it is, and its melody as a picture, four bars or so a line, chords above.

    The picture has a row for every note name of the key between the lowest and the highest note; a note is drawn at its start
    and ``─`` while it lasts; one that the key does not have is drawn as its accidental. A section
    that comes again is drawn once, and then only the bars that are different, such as a second ending.

    >>> from underbow.tune.abc.reader import read_abc
    >>> print(tune_text(read_abc('X:1\nT:Two\nM:2/4\nL:1/8\nK:G\n"G"B2AG|"D7"^G2A2|]')[0]))
    Two
    key G, meter 2/4, form A, 2 bars
    <BLANKLINE>
    A     G        D7
    B4   │●───    │        │
    A4   │    ●─  │    ●───│
    G4   │      ●─│♯───    │
          1        2
    """
    width = max(width, LEAST_WIDTH)
    melody = write_out(tune)
    head = wrap(tune.title or "(no title)", width)
    facts = [f"key {tune.key}", f"meter {meter}" if (meter := _meter(tune)) else "free meter"]
    if tune.rhythm:
        facts.insert(0, tune.rhythm)
    if tune.tempo:
        facts.append(f"tempo {tune.tempo}")
    if melody.sections:
        facts.append(f"form {form(melody)}")
        count = len(melody.full_bars)
        facts.append("1 bar" if count == 1 else f"{count} bars")
    if melody.pickup:
        facts.append("with a pickup")
    lines = [*head, *wrap(", ".join(facts), width), ""]
    shown = _TimeLine(melody)
    for name, time, bars in _shown_sections(melody):
        if time > 1:
            lines.append(f"{name}, {nth(time)} time, where it is different:")
        lines += _section_lines(name if time == 1 else "", bars, shown, width)
    for fault in tune.told:
        lines += wrap(f"! {fault}", width, subsequent_indent="  ")
    return "\n".join(lines).rstrip()


def _meter(tune: Tune) -> str:
    """The meter it is counted by; nothing where it is free on purpose, or has no notes to count."""
    return "" if tune.free and not tune.meter_assumed else tune.meter.numbers


def _shown_sections(melody: Melody) -> list[tuple[str, int, list[Bar]]]:
    """Each section once with its bars (the pickup goes with the first), and where a later time differs: name, time, bars."""
    out: list[tuple[str, int, list[Bar]]] = []
    times: dict[str, int] = {}
    heard: dict[str, set[object]] = {}  # by section: where and what its bars are
    numbers: dict[str, set[int]] = {}  # by section: the printed numbers of its bars
    line = _TimeLine(melody)
    for section in melody.sections:
        name, bars = section.name, section.bars
        times[name] = times.get(name, 0) + 1
        inside = [(i, _heard(bar, line, last=i == len(bars) - 1)) for i, bar in enumerate(bars)]
        written = numbers.setdefault(name, set())
        again = bars[0].number in written  # by a repeat sign: another number there is another ending
        new = [
            bar
            for bar, what in zip(bars, inside, strict=True)
            if what not in heard.get(name, ()) or (again and bar.number not in written)
        ]
        heard.setdefault(name, set()).update(inside)
        written.update(bar.number for bar in bars)
        if melody.pickup and not out:
            new.insert(0, melody.bars[0])
        if new:
            out.append((name, times[name], new))
    return out


def _heard(bar: Bar, line: _TimeLine, *, last: bool) -> object:
    """What is heard in a bar; of a section's last one without the pickup, which leads to what comes next."""
    end = bar.end - line.pickup if last else bar.end
    notes = [(note.start - bar.start, note.length, note.pitch) for note in line.notes_from(bar.start, end)]
    chords = [(max(span.start, bar.start) - bar.start, str(span.chord)) for span in line.chords_in(bar.start, end)]
    return (*notes, *chords)


def _section_lines(name: str, bars: list[Bar], melody: _TimeLine, width: int) -> list[str]:
    """Draw a section, as many bars a line as fit, and only such as follow each other."""
    step = _step(bars, width)
    lines: list[str] = []
    row: list[Bar] = []
    used = 0
    for bar in bars:
        columns = _columns(bar.length, step) + 1
        full = used + columns > width - 8 or sum(each.number > 0 for each in row) >= 4
        if row and (full or bar.start > row[-1].end):
            lines += _row_lines(row, melody, step, name if not lines else "")
            row, used = [], 0
        row.append(bar)
        used += columns
    if row:
        lines += _row_lines(row, melody, step, name if not lines else "")
    return lines


def _step(bars: list[Bar], width: int) -> Fraction:
    """Quarters a column: a sixteenth where a bar fits the width, else coarser."""
    longest = max(bar.length for bar in bars) or Fraction(1)
    for step in (Fraction(1, 4), Fraction(1, 2), Fraction(1)):
        if _columns(longest, step) + 1 <= width - 8:
            return step
    return longest / (width - 10)


def _columns(length: Fraction, step: Fraction) -> int:
    return max(-(-length // step), 1)


def _row_lines(bars: list[Bar], melody: _TimeLine, step: Fraction, name: str) -> list[str]:
    """Draw some bars: chords, the notes by height, the numbers of the bars."""
    notes = melody.notes_from(bars[0].start, bars[-1].end)
    heights = sorted({note.pitch.steps for note in notes}, reverse=True)
    rows = list(range(heights[0], heights[-1] - 1, -1)) if heights else []
    where: dict[Bar, int] = {}
    across = 0
    for bar in bars:
        where[bar] = across
        across += _columns(bar.length, step) + 1
    grid = {height: [" "] * across for height in rows}
    for bar in bars:
        end = where[bar] + _columns(bar.length, step)
        for height in rows:
            grid[height][end] = "│"
        for note in notes:
            if bar.start <= note.start < bar.end:
                first = where[bar] + int((note.start - bar.start) / step)
                last = where[bar] + int((min(note.end, bar.end) - bar.start - step / 64) / step)
                for column in range(first, min(last, end - 1) + 1):
                    grid[note.pitch.steps][column] = _head(note, bar.key) if column == first else "─"
    chords = _chord_line(bars, melody.chords_in(bars[0].start, bars[-1].end), where, step, across)
    numbers = [" "] * (across + 8)
    for bar in bars:
        for i, char in enumerate(str(bar.number) if bar.number else ""):
            numbers[where[bar] + i] = char
    label = name[:5]
    lines = [f"{label:<6}{chords}".rstrip()] if chords.strip() or label else []
    lines += [f"{_row_name(height, bars[0].key):<4} │{''.join(grid[height])}".rstrip() for height in rows]
    lines.append(("      " + "".join(numbers)).rstrip())
    return [*lines, ""]


def _row_name(height: int, key: Key) -> str:
    """Name of a row: the note that the key has there."""
    letter = LETTERS[height % 7]
    return f"{PitchClass(letter, key.alteration(letter))}{height // 7}"


def _head(note: MelodyNote, key: Key) -> str:
    """How a note begins: a dot, or its accidental where the key has another."""
    if note.pitch.alter == key.alteration(note.pitch.letter):
        return "●"
    return {0: "♮", 1: "♯", 2: "x", -1: "♭", -2: "b"}[note.pitch.alter]


def _chord_line(
    bars: list[Bar], chords: tuple[ChordSpan, ...], where: dict[Bar, int], step: Fraction, size: int
) -> str:
    line = [" "] * (size + 16)
    free = 0
    for bar in bars:
        for span in chords:
            begins = bar.start <= span.start < bar.end
            holds = span.start < bar.start < span.end and bar is bars[0]
            if not (begins or holds):
                continue
            column = where[bar] + (int((span.start - bar.start) / step) if begins else 0)
            column = max(column, free)
            text = str(span.chord) if span.chord else "N.C."
            for i, char in enumerate(text):
                if column + i < len(line):
                    line[column + i] = char
            free = column + len(text) + 1
    return "".join(line)
