"""Progressions: the changes of a tune, bar by bar, as a player writes them on the back of an envelope.

The text form: bars divided by ``|``, one or more chords a bar (they share it by whole beats, evenly where that goes),
``%`` repeats the bar before, ``-`` no chord; sections begin with a name and a colon, each on a line of its own or not::

    A: G | G | C | D
    B: C G | % | Am | D7
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from fractions import Fraction

from underbow.errors import Fault, InputError
from underbow.theory.chord import Chord
from underbow.theory.meter import Meter

MOST_BARS = 10_000
_SECTION = re.compile(r"(?:^|(?<=[\s|]))([A-Za-z][A-Za-z0-9]*)\s*:(?!\|)")
MOST_LISTED = 20  # faults
_DASHES = re.compile(
    r"\s*[A-H][^\s|:]*(?:\s+[-–—]+\s+[A-H][^\s|:]*)+\s*"
)  # chords with dashes between, and no bar line
_REPEATS_BAR = {"%", "./."}
_NO_CHORD = {"-", "N.C.", "NC", "n.c."}


@dataclass(frozen=True, slots=True)
class ChordSpan:
    """A chord in force over a stretch of time, in quarter notes from the start of what holds it; None where none sounds.

    One that is ``doubtful`` was suggested and may well be wrong: it is written with a question mark.
    """

    start: Fraction
    length: Fraction
    chord: Chord | None
    doubtful: bool = False

    @property
    def end(self) -> Fraction:
        """Where the next one begins."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class Changes:
    """The chords of one section: for every bar, its chords in order (None for no chord)."""

    name: str
    bars: tuple[tuple[Chord | None, ...], ...]


@dataclass(frozen=True, slots=True)
class Progression:
    """The changes of a tune, section by section.

    >>> changes = Progression.parse("G D | C | % | -")
    >>> str(changes), len(changes.bars)
    ('G D | C | C | -', 4)
    >>> [(str(span.start), str(span.length), str(span.chord)) for span in changes.spans(Meter.parse("4/4"))][:3]
    [('0', '2', 'G'), ('2', '2', 'D'), ('4', '8', 'C')]
    """

    sections: tuple[Changes, ...]

    @classmethod
    def parse(cls, text: str) -> Progression:
        """Read the text form.

        Raises
        ------
        InputError
            With one fault for each bar that can't be read.
        """
        if _DASHES.fullmatch(text):
            bars = " | ".join(re.split(r"\s+[-–—]+\s+", text.strip()))
            raise InputError(
                f'a dash between chords means a bar or beat without one; for a bar each write "{bars[:200]}"'
            )
        parts = _SECTION.split(text)
        named = list(zip(parts[1::2], parts[2::2], strict=True))
        if _has_words(parts[0]):
            named.insert(0, ("", parts[0]))
        faults: list[Fault] = []
        if re.search(r"\|\s*:|:\s*\|", text):
            cure = "write the bars once and repeat sections with form, such as AABB"
            raise InputError(f"repeat signs have no place in a progression; {cure}")
        sections = tuple(Changes(name, _bars(name, body, faults)) for name, body in named)
        twice = [name for name, count in Counter(section.name for section in sections).items() if count > 1]
        faults += [Fault(f"section {name} is written twice; give each its own name") for name in twice]
        faults += [
            Fault("has no bars; write its chords after the colon", where=f"section {n}")
            for n, body in named
            if not _has_words(body)
        ]
        if not any(section.bars for section in sections) and not faults:
            faults.append(Fault('no chords; write bars divided by |, such as "G | G | C | D"'))
        if sum(len(section.bars) for section in sections) > MOST_BARS:
            faults.append(Fault(f"more than {MOST_BARS} bars; use form to repeat sections"))
        if len(faults) > MOST_LISTED:
            faults[MOST_LISTED:] = [Fault(f"and {len(faults) - MOST_LISTED} more problems")]
        if faults:
            raise InputError(*faults)
        return cls(sections)

    @property
    def bars(self) -> tuple[tuple[Chord | None, ...], ...]:
        """Every bar in the order written, section after section."""
        return tuple(bar for section in self.sections for bar in section.bars)

    @property
    def chords(self) -> tuple[Chord, ...]:
        """The different chords, in order of first appearance."""
        return tuple(dict.fromkeys(chord for bar in self.bars for chord in bar if chord is not None))

    def section(self, name: str) -> Changes | None:
        """Give the section of a name, or None."""
        return next((section for section in self.sections if section.name == name), None)

    def spans(self, meter: Meter) -> tuple[ChordSpan, ...]:
        """Lay every bar out in time, neighbours with the same chord joined."""
        placed = [
            ChordSpan(meter.bar * i + start, length, chord)
            for i, bar in enumerate(self.bars)
            for start, length, chord in divided(bar, meter)
        ]
        return joined(placed)

    def __str__(self) -> str:
        text = "\n".join(
            (f"{section.name}: " if section.name else "") + " | ".join(_bar_text(bar) for bar in section.bars)
            for section in self.sections
        )
        return f"{text} |" if _DASHES.fullmatch(text) else text  # a single bar with a rest in it says that it is one


def divided(bar: tuple[Chord | None, ...], meter: Meter) -> list[tuple[Fraction, Fraction, Chord | None]]:
    """Share a bar among its chords: by whole beats, the first ones longer where it does not come out even.

    Beats of an additive meter are its groups.

    Returns
    -------
    list of (start, length, chord)
        In quarters from the start of the bar.

    >>> two = (Chord.parse("G"), Chord.parse("D"))
    >>> [(str(start), str(length)) for start, length, _ in divided(two, Meter.parse("3/4"))]
    [('0', '2'), ('2', '1')]
    """
    edges = (*meter.beats, meter.bar)
    each, over = divmod(len(meter.beats), len(bar))
    if not each:  # more chords than beats: share evenly
        length = meter.bar / len(bar)
        return [(length * i, length, chord) for i, chord in enumerate(bar)]
    placed, beat = [], 0
    for i, chord in enumerate(bar):
        after = beat + each + (i < over)
        placed.append((edges[beat], edges[after] - edges[beat], chord))
        beat = after
    return placed


def joined(spans: list[ChordSpan]) -> tuple[ChordSpan, ...]:
    """Join neighbouring spans that hold the same chord.

    >>> one, two = ChordSpan(Fraction(0), Fraction(4), None), ChordSpan(Fraction(4), Fraction(2), None)
    >>> [str(span.length) for span in joined([one, two])]
    ['6']
    """
    out: list[ChordSpan] = []
    for span in spans:
        if out and out[-1].chord == span.chord and out[-1].end == span.start:
            out[-1] = ChordSpan(out[-1].start, out[-1].length + span.length, span.chord)
        else:
            out.append(span)
    return tuple(out)


def _has_words(text: str) -> bool:
    """Whether anything but bar lines and spaces stands in a text."""
    return re.sub(r"[\s|\[\]]", "", text) != ""


def _bars(name: str, body: str, faults: list[Fault]) -> tuple[tuple[Chord | None, ...], ...]:
    """Read one section's bars; say what can't be read."""
    body = re.sub(r"\|\]|\[\|", "|", body).strip().strip("|").strip()
    if not body:
        return ()
    out: list[tuple[Chord | None, ...]] = []
    for number, cell in enumerate(re.split(r"\|+|\s*\n\s*", re.sub(r"\|\s*\n|\n\s*\|", "|", body)), start=1):
        where = f"section {name}, bar {number}" if name else f"bar {number}"
        words = cell.split()
        if not words:
            faults.append(
                Fault("an empty bar; write its chord, % to repeat the bar before, or - for no chord", where=where)
            )
        elif len(words) == 1 and words[0] in _REPEATS_BAR:
            if out:
                out.append(out[-1])
            else:
                faults.append(Fault("% has no bar before it to repeat; write a chord", where=where))
        else:
            out.append(tuple(_chord(word, where, faults) for word in words))
    return tuple(out)


def _chord(word: str, where: str, faults: list[Fault]) -> Chord | None:
    if word in _NO_CHORD:
        return None
    try:
        return Chord.parse(word)
    except ValueError as fault:
        faults.append(Fault(str(fault), where=where))
        return None


def _bar_text(bar: tuple[Chord | None, ...]) -> str:
    return " ".join("-" if chord is None else str(chord) for chord in bar)
