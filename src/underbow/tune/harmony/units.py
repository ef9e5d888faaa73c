"""A tune cut into the units that a chord lasts for, and what a chooser of chords sees in each of them.

A unit is half a bar, or what comes nearest to it: a backup player changes chord once or twice a bar. Units follow the
measures as written, so that what is repeated gets the same chords each time, and a second ending begins afresh. Pickups
have no unit: the chord before them holds.

Notes are counted as semitones above the tonic of the key in force. A *ring* is a vector of twelve such counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from underbow.theory.meter import Meter
from underbow.tune.bars import edge_between, is_pickup
from underbow.tune.tune import Tune

Array = NDArray[np.float64]

# What is seen of the notes, each as a ring. The first group is of the unit itself.
RINGS = (
    "length", "first", "beats", "late", "lowest", "highest", "longest", "last", "passing", "leaping",
    "bar", "bar first", "before", "after", "after first", "bar before", "bar after", "next bar first",
    "section", "tune", "section end", "tune end",
)  # fmt: skip
GRID = 6  # slots of a unit, so that two, three, four or six notes in it each have some of their own
_EPS = 1e-6


@dataclass(frozen=True, slots=True)
class Unit:
    """Where a unit lies.

    Parameters
    ----------
    measure : int
        Index of the written measure.
    start, end : float
        Quarters from its beginning.
    bar : int
        Bars before it in the tune, pickups not counted; a measure without bar lines can hold several.
    place : int
        0 for the first unit of its bar, else 1 (2 for the third one in 3/2).
    number, left : int
        Bars before it and after it in its section.
    tonic : int
        Pitch class of the key in force.
    cut : bool
        Nothing leads here: the tune's beginning, a second ending, a change of key.
    begins : bool
        First of its section.
    kind : str
        Its meter, as far as it matters here.
    """

    measure: int
    start: float
    end: float
    bar: int
    place: int
    number: int
    left: int
    tonic: int
    cut: bool
    begins: bool
    kind: str


@dataclass(frozen=True, slots=True)
class Seen:
    """What is seen of a tune of n units.

    Parameters
    ----------
    units : tuple of Unit
    rings : array, shape (n, len(RINGS), 12)
    grid : array, shape (n, GRID, 12)
        How much of each sixth of the unit each tone sounds.
    together : array, shape (n, kinds of :data:`TOGETHER`, 24)
        For each chord: which of its notes the unit or the bar has together.
    places : tuple of dict
        For each unit, what is said of its place; a value of 1 unless it is a share.
    changes : tuple of dict
        The same, of a change of chord at its beginning.
    alike : array, shape (n,)
        Units of bars with the same notes have the same number.
    """

    units: tuple[Unit, ...]
    rings: Array
    grid: Array
    together: Array
    places: tuple[dict[str, float], ...]
    changes: tuple[dict[str, float], ...]
    alike: NDArray[np.intp]


TOGETHER = ("root third", "root fifth", "third fifth", "all three", "bar root third", "bar root fifth", "bar third fifth",
            "bar all three", "leaps to it", "leaps in it")  # fmt: skip


@cache
def starts(meter: Meter) -> tuple[float, ...]:
    """Where units begin in a bar, in quarters.

    >>> [starts(Meter.parse(text)) for text in ("4/4", "3/4", "6/8", "9/8", "3/2", "6/2", "3/8")]
    [(0.0, 2.0), (0.0, 2.0), (0.0, 1.5), (0.0, 3.0), (0.0, 2.0, 4.0), (0.0, 6.0), (0.0,)]
    """
    beats = [float(beat) for beat in meter.beats]
    if meter.groups == (3,) and meter.unit == 2:
        return tuple(beats)
    if len(beats) < 2:
        return (0.0,)
    return (0.0, beats[(len(beats) + 1) // 2])


@cache
def kind_of(meter: Meter) -> str:
    """Name what a meter is like: two, three or four in a bar, or a jig's."""
    count = len(meter.beats)
    if meter.compound:
        return "jig" if count == 2 else "slip jig"
    return {2: "four" if meter.unit == 2 else "two", 3: "three", 4: "four"}.get(count, "other")


def units_of(tune: Tune) -> list[Unit]:
    """Cut a tune into units."""
    last = len(tune.measures) - 1
    found = _cut(tune, [i for i in range(last + 1) if i == last or not is_pickup(tune, i, i - 1 if i else None)])
    return found or _cut(tune, list(range(len(tune.measures))))


def _cut(tune: Tune, wanted: list[int]) -> list[Unit]:
    rows: list[tuple[int, float, float, int, int, int, bool]] = []  # measure, start, end, bar, place, section, cut
    bar = section = 0
    before: int | None = None
    for i in wanted:
        measure = tune.measures[i]
        fresh = before is None or (measure.ending_start and bool(tune.measures[before].ending))
        if before is not None:
            other = tune.measures[before]
            fresh = fresh or other.key.tonic != measure.key.tonic
            endings = bool(other.ending) and bool(measure.ending)
            section += any(edge_between(tune, k - 1, k) for k in range(before + 1, i + 1)) and not endings
        length, size = float(measure.length), float(measure.meter.bar)
        inside = starts(measure.meter)
        for count in range(int(max(1, length / size + 0.5)) if length else 0):  # more where bar lines are missing
            offset = count * size
            for place, start in enumerate(inside):
                if offset + start < length - _EPS:
                    rows.append((i, offset + start, offset + (*inside, size)[place + 1], bar, place, section, fresh))
                    fresh = False
            bar += 1
        if length:
            rows[-1] = (*rows[-1][:2], length, *rows[-1][3:])
        before = i
    firsts: dict[int, int] = {}
    lasts: dict[int, int] = {}
    for row in rows:
        firsts.setdefault(row[5], row[3])
        lasts[row[5]] = row[3]
    seen: set[int] = set()
    out = []
    for i, start, end, bar, place, section, fresh in rows:
        measure = tune.measures[i]
        out.append(
            Unit(i, start, end, bar, place, bar - firsts[section], lasts[section] - bar, measure.key.tonic.number, fresh,
                 section not in seen, kind_of(measure.meter))
        )  # fmt: skip
        seen.add(section)
    return out
