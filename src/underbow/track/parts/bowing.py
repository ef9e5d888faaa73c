"""The bowing of a melody: which notes share a stroke, and which way each stroke goes.

A tune's own marks and slurs are kept. Where it has no marks a bowing is worked out by the rule that most teachers begin
with (common practice, no source): strokes alternate, a bar begins with a down-bow, and where the count does not come out,
two notes of a beat before the bar line are slurred. The pickup is bowed as what follows the last bar, since the tune goes
round. For an air half a bar is taken in a bow, and the bow goes on as it comes.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from fractions import Fraction

from underbow.tune.tune import Bar, Melody, MelodyNote


@dataclass(frozen=True, slots=True)
class MelodyStroke:
    """One stroke of the melody: its direction and its notes, at least one."""

    bow: str
    notes: tuple[MelodyNote, ...]


def bow_melody(melody: Melody, *, long_bows: bool = False) -> tuple[MelodyStroke, ...]:
    """Work out the strokes of a melody, in order; with long bows where the tune has neither slurs nor marks of its own.

    >>> from fractions import Fraction
    >>> from underbow.theory.key import Key
    >>> from underbow.theory.meter import Meter
    >>> from underbow.theory.pitch import Pitch
    >>> quarter = lambda at: MelodyNote(Fraction(at), Fraction(1), Pitch.parse("A4"))
    >>> bar = Bar(1, 1, Fraction(0), Fraction(4), "A", True, Meter.parse("4/4"), Key.parse("D"))
    >>> tune = Melody(tuple(map(quarter, range(4))), (), (bar,))
    >>> [stroke.bow for stroke in bow_melody(tune)]
    ['d', 'u', 'd', 'u']
    """
    strokes = _slurred(melody.notes)
    if not strokes:
        return ()
    if any(note.bow for note in melody.notes):
        return _as_marked(strokes)
    if long_bows and all(len(stroke) == 1 for stroke in strokes):
        return _worked_out(_joined(strokes, melody.bars), melody, even=False)
    return _worked_out(strokes, melody)


def _slurred(notes: tuple[MelodyNote, ...]) -> list[list[MelodyNote]]:
    strokes: list[list[MelodyNote]] = []
    for note in notes:
        if note.slurred and strokes and not note.bow and strokes[-1][-1].end == note.start:
            strokes[-1].append(note)
        else:
            strokes.append([note])
    return strokes


def _as_marked(strokes: list[list[MelodyNote]]) -> tuple[MelodyStroke, ...]:
    """Alternate from mark to mark; what stands before the first mark leads up to it."""
    marks = [stroke[0].bow for stroke in strokes]
    first = next(i for i, mark in enumerate(marks) if mark)
    bow = marks[first] if first % 2 == 0 else _other(marks[first])
    out = []
    for i, (mark, stroke) in enumerate(zip(marks, strokes, strict=True)):
        bow = mark or (_other(bow) if i else bow)
        out.append(MelodyStroke(bow, tuple(stroke)))
    return tuple(out)


def _joined(strokes: list[list[MelodyNote]], bars: tuple[Bar, ...]) -> list[list[MelodyNote]]:
    """Join notes that begin in the same half bar; in the jigs' meters in the same beat, in three in the same bar."""
    out: list[list[MelodyNote]] = []
    before: tuple[int, int] | None = None
    place = 0
    for stroke in strokes:
        note = stroke[0]
        while place + 1 < len(bars) and note.start >= bars[place].end:
            place += 1
        meter = bars[place].meter
        inside = note.start - bars[place].start + (meter.bar - bars[place].length if bars[place].number == 0 else 0)
        bow = meter.beat if meter.compound else meter.bar / (1 if meter.groups[0] % 2 else 2)
        here = (place, inside // bow)
        last = out[-1][-1] if out else None
        if last and here == before and last.end == note.start and last.midi != note.midi and not _parted(last, note):
            out[-1].append(note)
        else:
            out.append(stroke)
        before = here
    return out


def _worked_out(strokes: list[list[MelodyNote]], melody: Melody, *, even: bool = True) -> tuple[MelodyStroke, ...]:
    bars = list(melody.full_bars)
    pickup = melody.bars[:1] if melody.pickup else ()
    starts = [stroke[0].start for stroke in strokes]
    out: list[MelodyStroke] = []
    end = bars[0].start if bars else strokes[0][0].start
    bow = ""
    for bar in [*bars, *pickup]:
        if pickup and bar is pickup[0] and bars:  # what sounds before it, the tune going round
            end -= bars[-1].start + bars[-1].meter.bar - bar.length
            bow = bow if even else ""  # an air breathes here
        inside = strokes[bisect_left(starts, bar.start) : bisect_left(starts, bar.end)]
        runs = _between_rests(inside, end, bar)
        for run, after_rest in runs:
            if not bow or after_rest:  # from rest the bow begins where it will: so that the next bar begins down
                on_bar = bar.number > 0 and run[0][0].start == bar.start
                bow = "d" if on_bar or len(run) % 2 == 0 else "u"
            last = run is runs[-1][0]
            if even and last and (bow == "u") == (len(run) % 2 == 0):  # the next bar would begin with an up-bow
                run = _evened(run, bar)  # noqa: PLW2901
            for stroke in run:
                out.append(MelodyStroke(bow, tuple(stroke)))
                bow = _other(bow)
            end = run[-1][-1].end
    return tuple(sorted(out, key=lambda stroke: stroke.notes[0].start))


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
    place = (on_beat or pairs)[-1]
    return [*strokes[:place], strokes[place] + strokes[place + 1], *strokes[place + 2 :]]


def _may_slur(first: list[MelodyNote], second: list[MelodyNote], bar: Bar) -> bool:
    a, b = first[0], second[0]
    return (
        len(first) == len(second) == 1
        and a.end == b.start
        and a.midi != b.midi
        and max(a.length, b.length) <= bar.meter.beat
        and b.start - bar.start not in bar.meter.beats
        and not _parted(a, b)
    )


def _parted(a: MelodyNote, b: MelodyNote) -> bool:
    """Whether a mark wants two notes apart."""
    return bool({"staccato", "accent"} & {*a.marks, *b.marks})


def _other(bow: str) -> str:
    return "u" if bow == "d" else "d"
