"""The bowing of a melody: which notes share a stroke, and which way each stroke goes.

A tune's own marks and slurs are kept. Where it has no marks a bowing is worked out by the rule that most teachers begin
with (common practice, no source): strokes alternate, a bar begins with a down-bow, and where the count does not come out,
two notes of a beat before the bar line are slurred.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from underbow.tune.tune import Bar, Melody, MelodyNote


@dataclass(frozen=True, slots=True)
class Bowed:
    """One stroke of the melody: its direction and its notes, at least one."""

    bow: str
    notes: tuple[MelodyNote, ...]


def bowed(melody: Melody) -> tuple[Bowed, ...]:
    """Work out the strokes of a melody, in order.

    >>> from fractions import Fraction
    >>> from underbow.theory.key import Key
    >>> from underbow.theory.meter import Meter
    >>> from underbow.theory.pitch import Pitch
    >>> quarter = lambda at: MelodyNote(Fraction(at), Fraction(1), Pitch.parse("A4"))
    >>> bar = Bar(1, Fraction(0), Fraction(4), "A", Meter.parse("4/4"), Key.parse("D"))
    >>> tune = Melody(tuple(map(quarter, range(4))), (), (bar,), (), Fraction(0), Fraction(4))
    >>> [stroke.bow for stroke in bowed(tune)]
    ['d', 'u', 'd', 'u']
    """
    strokes = _slurred(melody.notes)
    if not strokes:
        return ()
    if any(note.bow for note in melody.notes):
        return _as_marked(strokes)
    return _worked_out(strokes, melody.bars)


def _slurred(notes: tuple[MelodyNote, ...]) -> list[list[MelodyNote]]:
    strokes: list[list[MelodyNote]] = []
    for note in notes:
        if note.slurred and strokes and not note.bow and strokes[-1][-1].end == note.start:
            strokes[-1].append(note)
        else:
            strokes.append([note])
    return strokes


def _as_marked(strokes: list[list[MelodyNote]]) -> tuple[Bowed, ...]:
    """Alternate from mark to mark; what stands before the first mark leads up to it."""
    marks = [stroke[0].bow for stroke in strokes]
    first = next(i for i, mark in enumerate(marks) if mark)
    bow = marks[first] if first % 2 == 0 else _other(marks[first])
    out = []
    for i, (mark, stroke) in enumerate(zip(marks, strokes, strict=True)):
        bow = mark or (_other(bow) if i else bow)
        out.append(Bowed(bow, tuple(stroke)))
    return tuple(out)


def _worked_out(strokes: list[list[MelodyNote]], bars: tuple[Bar, ...]) -> tuple[Bowed, ...]:
    out: list[Bowed] = []
    end = strokes[0][0].start
    bow = ""
    for bar in bars:
        inside = [stroke for stroke in strokes if bar.start <= stroke[0].start < bar.end]
        runs = _between_rests(inside, end, bar)
        for run, after_rest in runs:
            if not bow or after_rest:  # from rest the bow begins where it will: so that the next bar begins down
                on_bar = bar.number > 0 and run[0][0].start == bar.start
                bow = "d" if on_bar or len(run) % 2 == 0 else "u"
            last = run is runs[-1][0] and bar.number > 0
            if last and (bow == "u") == (len(run) % 2 == 0):  # the next bar would begin with an up-bow
                run = _evened(run, bar)  # noqa: PLW2901
            for stroke in run:
                out.append(Bowed(bow, tuple(stroke)))
                bow = _other(bow)
            end = run[-1][-1].end
    return tuple(out)


def _between_rests(
    strokes: list[list[MelodyNote]], end: Fraction, bar: Bar
) -> list[tuple[list[list[MelodyNote]], bool]]:
    """Part a bar's strokes where there is a beat's rest before one; say of each part whether a rest comes before."""
    runs: list[tuple[list[list[MelodyNote]], bool]] = []
    for stroke in strokes:
        rest = stroke[0].start - end >= bar.meter.beat
        if rest or not runs:
            runs.append(([], rest))
        runs[-1][0].append(stroke)
        end = stroke[-1].end
    return runs


def _evened(strokes: list[list[MelodyNote]], bar: Bar) -> list[list[MelodyNote]]:
    """Slur one pair of notes, the last one in the bar that lies well under the bow; none where there is no such pair."""
    pairs = [i for i in range(len(strokes) - 1) if _may_slur(strokes[i], strokes[i + 1], bar)]
    if not pairs:
        return strokes
    on_beat = [i for i in pairs if strokes[i][0].start - bar.start in bar.meter.beats]
    at = (on_beat or pairs)[-1]
    return [*strokes[:at], strokes[at] + strokes[at + 1], *strokes[at + 2 :]]


def _may_slur(first: list[MelodyNote], second: list[MelodyNote], bar: Bar) -> bool:
    a, b = first[0], second[0]
    return (
        len(first) == len(second) == 1
        and a.end == b.start
        and a.midi != b.midi
        and max(a.length, b.length) <= bar.meter.beat
        and b.start - bar.start not in bar.meter.beats
        and not {"staccato", "accent"} & {*a.marks, *b.marks}
    )


def _other(bow: str) -> str:
    return "u" if bow == "d" else "d"
