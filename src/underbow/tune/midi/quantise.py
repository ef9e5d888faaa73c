"""Played notes put on the grid of the notation: a top line, even divisions of the beat, where the bar begins."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from fractions import Fraction
from statistics import fmean

from underbow.theory.meter import Meter

DIVISIONS = (1, 2, 3, 4, 6, 8, 12)  # of a quarter, tried in this order
NEAR = Fraction(1, 24)  # how far a note may lie off and still fit: a tenth of an eighth triplet's neighbours
TOGETHER = Fraction(1, 16)  # notes that begin within it are one chord
_CLEARER = 1.1  # how much better another place for the bar lines must be
_OTHER_BEATS = 0.6  # what a note on a later beat of the bar weighs beside one on the first
_LONG_PICKUP = 0.7


@dataclass(frozen=True, slots=True)
class Played:
    """A note by its start and end in quarters; ``under`` are lower notes begun with it."""

    start: Fraction
    end: Fraction
    midi: int
    velocity: int = 80
    under: tuple[int, ...] = ()


def skyline(notes: list[Played]) -> list[Played]:
    """Take the top line: of notes begun together the highest, cut where the next one begins.

    >>> line = skyline([Played(Fraction(0), Fraction(2), 60), Played(Fraction(0), Fraction(2), 67),
    ...                 Played(Fraction(1), Fraction(2), 69)])
    >>> [(note.midi, str(note.end), note.under) for note in line]
    [(67, '1', (60,)), (69, '2', ())]
    """
    groups: list[list[Played]] = []
    for note in sorted(notes, key=lambda note: (note.start, -note.midi)):
        if groups and note.start - groups[-1][0].start <= TOGETHER:
            groups[-1].append(note)
        else:
            groups.append([note])
    out: list[Played] = []
    for i, group in enumerate(groups):
        top = max(group, key=lambda note: note.midi)
        end = min(top.end, groups[i + 1][0].start) if i + 1 < len(groups) else top.end
        under = tuple(sorted({note.midi for note in group} - {top.midi}, reverse=True))
        out.append(replace(top, start=group[0].start, end=max(end, group[0].start + NEAR), under=under))
    return out


def quantised(line: list[Played]) -> tuple[list[Played], Fraction, Fraction]:
    """Move a line onto the grid.

    Each quarter note takes the coarsest of :data:`DIVISIONS` that all notes beginning in it fit within :data:`NEAR`, or the one
    that fits best. A note that ends just before the next one, as a hand or a program shortens it, reaches up to it.

    Returns
    -------
    list of Played, largest move, mean move (quarters)
    """
    beats: dict[int, list[Fraction]] = defaultdict(list)
    for note in line:
        beats[int(note.start + NEAR)].append(note.start)
    division = {beat: _division(starts, beat) for beat, starts in beats.items()}
    moves: list[Fraction] = []
    starts: list[Fraction] = []
    for note in line:
        beat = int(note.start + NEAR)
        start = Fraction(round((note.start - beat) * division[beat]), division[beat]) + beat
        moves.append(abs(start - note.start))
        starts.append(start)
    out: list[Played] = []
    for i, (note, start) in enumerate(zip(line, starts, strict=True)):
        if out and start <= out[-1].start:
            continue  # two notes at one place of the grid: the first stays
        after = next((other for other in starts[i + 1 : i + 4] if other > start), None)
        out.append(replace(note, start=start, end=start + _length(note.end - note.start, start, after)))
    return out, max(moves), sum(moves, Fraction(0)) / len(moves)


def _division(starts: list[Fraction], beat: int) -> int:
    def off(division: int) -> Fraction:
        return max(abs((start - beat) * division - round((start - beat) * division)) / division for start in starts)

    def apart(division: int) -> bool:
        return len({round((start - beat) * division) for start in starts}) == len(starts)

    fits = [division for division in DIVISIONS if apart(division) and off(division) <= NEAR]
    return fits[0] if fits else min(DIVISIONS, key=lambda division: (not apart(division), off(division), division))


def _length(sounded: Fraction, start: Fraction, after: Fraction | None) -> Fraction:
    """Length as written: up to the next note where little is missing, else on the grid of sixteenths."""
    room = after - start if after is not None else None
    if room is not None and (
        room <= Fraction(1, 2) or sounded >= room * Fraction(3, 5) or room - sounded <= Fraction(1, 8)
    ):
        return room
    length = max(Fraction(round(sounded * 4), 4), Fraction(1, 4))
    if room is None:
        length = max(Fraction(round(sounded * 2), 2), Fraction(1, 2)) if sounded > Fraction(3, 8) else length
    return min(length, room) if room is not None else length


def pickup_phase(line: list[Played], meter: Meter) -> Fraction:
    """Find where the first bar line lies, in quarters from the file's beginning, less than a bar.

    Every place on the grid of eighths is weighed by the notes that begin there and on the beats after it, bar after bar: long
    ones and loud ones speak for it. A pickup of more than half a bar is rare, and the file's own beginning keeps its claim
    unless another place is clearly better. (The weights were settled on 643 tunes; see benchmarks/readers.)
    """
    bar = meter.bar
    if bar < 1 or line[-1].end - line[0].start < 4 * bar:
        return Fraction(0)  # too little to go by
    loud = fmean(note.velocity for note in line)
    spread = max(abs(note.velocity - loud) for note in line)
    accented = spread >= 5
    weight: dict[Fraction, float] = defaultdict(float)
    for note in line:
        accent = (note.velocity - loud) / spread if accented else 0.0
        weight[note.start % bar] += max(float(note.end - note.start) * (1 + accent), 0.0)

    def claim(place: Fraction) -> float:
        beats = sum(weight[(place + beat) % bar] * (_OTHER_BEATS if beat else 1.0) for beat in meter.beats)
        return beats * (_LONG_PICKUP if place > bar / 2 else 1.0)

    best = max((Fraction(i, 2) for i in range(int(bar * 2))), key=lambda place: (claim(place), -place))
    return best if claim(best) > (_CLEARER if accented else 1.0) * claim(Fraction(0)) else Fraction(0)
