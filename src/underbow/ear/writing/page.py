"""From a line of notes to a page: bars, a pickup, parts that are repeated written once, and every doubt marked."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from underbow.ear.writing.form import Phrase, agreement, likelihood, phrase, roll
from underbow.errors import UnderbowError
from underbow.theory.key import Key
from underbow.theory.meter import Meter, Tempo
from underbow.tune.abc.reader import read_abc
from underbow.tune.abc.writer import to_abc
from underbow.tune.midi.quantise import Played
from underbow.tune.tune import Measure, Note, Tune
from underbow.tune.written_out import write_out

__all__ = ["Heading", "Sketch", "abc_of", "sketch"]

_REPEATED = 0.7  # agreement of a part with the one before it
_STEP = 4
_LINE = 4  # bars
_BAR = re.compile(r":?\|[\]|:]?|::")


@dataclass(frozen=True, slots=True)
class Heading:
    """What stands above the tune."""

    title: str
    key: Key
    meter: Meter
    tempo: Tempo
    pickup: Fraction


@dataclass(frozen=True, slots=True)
class Sketch:
    """A tune written down.

    Parameters
    ----------
    tune : Tune
    spans : tuple of (Fraction, Fraction)
        For each measure of the page where it lies in the line, in quarters: what it was written from, maybe the second time.
    repeats : tuple of (Fraction, Fraction, Fraction)
        Parts that were played twice: where the first time begins, the second, and how long they are.
    """

    tune: Tune
    spans: tuple[tuple[Fraction, Fraction], ...]
    repeats: tuple[tuple[Fraction, Fraction, Fraction], ...]


def sketch(line: Sequence[Played], heading: Heading, part: Fraction | None) -> Sketch:
    """Write a line down.

    Parameters
    ----------
    line : sequence of Played
        Quarters from the first note.
    heading : Heading
    part : Fraction or None
        How long a part is, in quarters; None where none is repeated.
    """
    end = max(note.end for note in line)
    parts: list[tuple[Fraction, Fraction, bool]] = []
    repeats: list[tuple[Fraction, Fraction, Fraction]] = []
    if part is None:
        parts.append((Fraction(0), end, False))
    else:
        pitches = roll(line)
        now = Fraction(0)
        while now < end - heading.meter.bar:
            stop = min(now + part, end)
            again = agreement(pitches, int(now * _STEP), int((now + part) * _STEP), int(part * _STEP)) >= _REPEATED
            parts.append((now, stop, again))
            if again:
                repeats.append((now, now + part, part))
            now += part * (2 if again else 1)
    times = [(start + by, stop + by) for start, stop, again in parts for by in ((0, part or 0) if again else (0,))]
    bars = [bar for start, stop in times for bar in _bars(start, stop, heading)]
    twice = _Twice(line, heading, Counter(phrase(line, low, high) for low, high in bars))
    measures: list[Measure] = []
    spans: list[tuple[Fraction, Fraction]] = []
    for number, (start, stop, again) in enumerate(parts):
        begun = len(measures)
        for bar in _bars(start, stop, heading):
            low, high = twice.likelier(bar, part, start) if again and part else bar
            notes = _notes(line, low, high, heading.key)
            measures.append(
                Measure(
                    high - low, notes, (), heading.key, heading.meter,
                    tempo=heading.tempo if not measures else None, section="ABCDEFGH"[min(number, 7)],
                )
            )  # fmt: skip
            spans.append((low, high))
        measures[begun] = replace(measures[begun], repeat_start=int(again))
        final = "|]" if number == len(parts) - 1 else "||"
        measures[-1] = replace(measures[-1], repeat_end=int(again), final="" if again else final, new_line=True)
        full = [at for at in range(begun, len(measures)) if measures[at].length == heading.meter.bar]
        for count, at in enumerate(full, start=1):
            if count % _LINE == 0:
                measures[at] = replace(measures[at], new_line=True)
    order: list[int] = []
    for number, (_, _, again) in enumerate(parts):
        own = [at for at, measure in enumerate(measures) if measure.section == "ABCDEFGH"[min(number, 7)]]
        order += own * (2 if again else 1)
    tune = Tune(heading.title, heading.key, heading.meter, tuple(measures), tuple(order), tempo=heading.tempo)
    return Sketch(tune, tuple(spans), tuple(repeats))


def _bars(start: Fraction, stop: Fraction, heading: Heading) -> list[tuple[Fraction, Fraction]]:
    """The measures of a part: its pickup, its bars, and what the next pickup leaves of the last one."""
    bar, pickup = heading.meter.bar, heading.pickup
    bounds = [start, start + pickup] if pickup else [start]
    while bounds[-1] + bar <= stop:
        bounds.append(bounds[-1] + bar)
    left = stop - bounds[-1]
    if left > 0:
        bounds.append(stop if pickup and left >= bar - pickup else bounds[-1] + bar)
    return list(pairwise(bounds))


@dataclass(frozen=True, slots=True)
class _Twice:
    """What tells which time of a repeated part is likelier meant: the line, and how often each of its bars is heard."""

    line: Sequence[Played]
    heading: Heading
    said: Mapping[Phrase | None, int]

    def likelier(self, span: tuple[Fraction, Fraction], part: Fraction, start: Fraction) -> tuple[Fraction, Fraction]:
        """Of a measure, and the same of the second time, the span of the one that is likelier meant."""
        low, high = span
        one, two = phrase(self.line, low, high), phrase(self.line, low + part, high + part)
        if one is None or two is None or one == two:
            return span
        common = Counter(note.midi for note in self.line)
        place = (low - start - self.heading.pickup) % self.heading.meter.bar
        first, second = (likelihood(it, self.heading.meter, place, common, self.said[it] - 1) for it in (one, two))
        return (low + part, high + part) if second > first else span


def _notes(line: Sequence[Played], low: Fraction, high: Fraction, key: Key) -> tuple[Note, ...]:
    out = []
    for note in line:
        begin, end = max(note.start, low), min(note.end, high)
        if begin < end:
            third = (3, 2) if (end - begin).denominator == 3 else None
            out.append(Note(begin - low, end - begin, key.spell(note.midi), tied=note.end > high, tuplet=third))
    return tuple(out)


def abc_of(written: Sketch, doubts: Mapping[int, str], remarks: Sequence[str]) -> str:
    """Give the page as ABC.

    Parameters
    ----------
    written : Sketch
    doubts : mapping of int to str
        By the index of a measure; each is marked by ``?`` over the bar, and told in the head.
    remarks : sequence of str
        Lines for the head.

    Raises
    ------
    UnderbowError
        If what is written could not be read again as it is.
    """
    text = to_abc(written.tune)
    head, key, body = text.partition("\nK:")
    first, _, music = body.partition("\n")
    numbers = [bar.number for bar in write_out(written.tune, tuple(range(len(written.tune.measures)))).bars]
    told = [f"N:bar {numbers[at] if at < len(numbers) else at + 1}: {what}" for at, what in sorted(doubts.items())]
    lines = [head, *(f"N:{remark}" for remark in remarks), *told]
    marked = _marked(music, set(doubts))
    out = "\n".join(lines) + key + first + "\n" + marked
    if _heard(read_abc(out)[0]) != _heard(read_abc(text)[0]):
        raise UnderbowError("what was written can't be read again; please tell us, with the recording")
    return out


def _heard(tune: Tune) -> list[tuple[Fraction, Fraction, int]]:
    return [(note.start, note.length, note.midi) for note in write_out(tune).notes]


def _marked(music: str, doubtful: set[int]) -> str:
    """Put a question mark over some measures."""
    out: list[str] = []
    measure, begun = 0, False  # whether the measure at hand has been marked, or begun
    for line in music.splitlines(keepends=True):
        if line[1:2] == ":" and line[0].isalpha():
            out.append(line)
            continue
        at = 0
        for sign in [*_BAR.finditer(line), None]:
            inside = line[at : sign.start()] if sign else line[at:]
            if any(letter in "ABCDEFGabcdefgz" for letter in re.sub(r'"[^"]*"', "", inside)):
                out.append('"^?"' if measure in doubtful and not begun else "")
                begun = True
            out.append(inside)
            if sign is not None:
                measure, begun = measure + int(begun), False
                out.append(sign[0])
                at = sign.end()
    return "".join(out)
