"""Played notes on an even grid: the beat is followed as it sways, and each note is put where one usually begins in a bar.

The tempo is taken for something that changes slowly, and whose change is slow to change, too (a Gaussian process, Matérn's with
3/2): it is carried through a long note, which can't cheaply gain or lose an eighth where the tempo is the same on both sides.
Each way of putting the notes on the grid is followed by a filter (Kalman's) of the clock, the tempo and its change; it costs how
unlikely each note is at its time, and how unusual it is, in a meter, to begin there after the note before. Ways that have come to
the same place of the same bar are held against each other, the cheapest is kept. To search rhythm and tempo together is from
Cemgil and Kappen, "Monte Carlo methods for tempo tracking and rhythm quantization" (2003), and Raphael, "A hybrid graphical model
for rhythmic parsing" (2002); that the place in the bar is searched with them, from Whiteley, Cemgil and Godsill, "Bayesian
modelling of temporal structure in musical audio" (2006).

Triplets are found afterwards: of three notes that fill a beat, by how near they are to its thirds.

Conventions: places are whole numbers of sixteenths from the first note; times are seconds, inside the search sixteenths.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from math import log, sqrt

import numpy as np
from numpy.typing import NDArray

from underbow.ear.writing.barlines import STEPS, TRIED, steps, usual_eighth
from underbow.theory.meter import Meter

__all__ = ["Grid", "eighth_of", "on_grid", "with_triplets"]

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

_KINDS = ((0.5, 0.04), (1, 0.5), (1.5, 0.02), (2, 0.25), (3, 0.12), (4, 0.07))  # lengths in eighths, how common each is
_SPREAD = 0.13  # of the logarithm of a length
_SHORTEST, _LONGEST = 0.09, 0.75  # seconds of an eighth that are tried
_OTHERS = (0.5, 1.0, 2.0)  # shares of the eighth found that may be the right one
_VARIED = 0.14  # spread of how long it is, of the logarithm; narrow, for notes that are alike say less together than one by one
_ENOUGH = 160  # notes that tell how long an eighth is
_OFF = 0.016  # seconds: how far notes lie off (standard deviation)
_SWAY, _MEAN = 0.06, 0.04  # shares by which the tempo leaves its mean, and the mean what was found
_SLOW = 14.0  # sixteenths over which the tempo stays much the same
_TRIPLET = 2.5  # how much more usual (logarithm) a triplet is in a beat than an eighth and two sixteenths: 182 in 4/4 against 11
_FINE = 64  # moments of a sixteenth over which pushes to the tempo are summed
_KEPT, _SAME = 12, 2  # ways that are kept of one meter and pickup; of these, in the same place
_DEARER, _DEAREST = 18.0, 40.0  # than the cheapest of its meter and pickup, and of all: such ways are dropped


@dataclass(frozen=True, slots=True)
class Grid:
    """Notes on the grid.

    Parameters
    ----------
    places : tuple of int
        For each note, sixteenths from the first.
    off : tuple of float
        For each note, how far it lay from where the beat so far had it, in eighths.
    eighth : float
        Seconds of an eighth, on the whole.
    """

    places: tuple[int, ...]
    off: tuple[float, ...]
    eighth: float


@dataclass(frozen=True, slots=True)
class _Ways:
    """Ways of putting some notes on the grid, one a row: of which meter and pickup, what it costs, its place and its clock.

    The clock is a mean, shape (ways, 3), and its spread: how late it is for the place, in sixteenths; the share by which they are
    longer than the mean; how fast that grows. ``before`` are the ways that these come from, ``off`` is how late the note was.
    """

    which: Whole
    cost: Array
    place: Whole
    clock: Array
    spread: Array
    before: Whole
    off: Array


def eighth_of(begins: Sequence[float]) -> float:
    """Find about how long an eighth is, from the lengths between notes: the one that makes them all likeliest.

    It may be taken for a quarter, or one for it; :func:`on_grid` looks again.

    >>> round(eighth_of([0.0, 0.2, 0.41, 0.6, 0.8, 1.2, 1.41, 1.6, 2.2, 2.4]), 2)
    0.2
    """
    lengths = np.diff(np.array(begins))
    lengths = lengths[(lengths > 0.06) & (lengths < 2.5)]
    if not len(lengths):
        return 0.25
    tried = np.geomspace(_SHORTEST, _LONGEST, 220)
    likely = np.full((len(tried), len(lengths)), 1e-3)
    for kind, share in _KINDS:
        off = np.log(lengths[None, :] / (kind * tried[:, None])) / _SPREAD
        likely += share * np.exp(-0.5 * off**2)
    return float(tried[np.log(likely).sum(axis=1).argmax()])


def on_grid(begins: Sequence[float], eighth: float | None = None, meter: Meter | None = None) -> Grid:
    """Put notes on the grid.

    Parameters
    ----------
    begins : sequence of float
        When each begins, rising; at least one.
    eighth : float, optional
        About how long an eighth is, where it is known.
    meter : Meter, optional
        Where it is known.

    Examples
    --------
    >>> on_grid([0.0, 0.21, 0.4, 0.59, 0.8, 1.21, 1.3, 1.4], 0.2).places
    (0, 2, 4, 6, 8, 12, 13, 14)
    """
    meters = [Meter.parse(name) for name in TRIED] if meter is None else [meter]
    if eighth is None:
        found = eighth_of(begins)
        eighth = min((found * share for share in _OTHERS), key=lambda one: _cost_of(begins[:_ENOUGH], one, meters))
    walked = _walked(begins, eighth, meters)
    way = int(walked[-1].cost.argmin())
    places, off = [], []
    for ways in reversed(walked):
        places.append(int(ways.place[way]))
        off.append(float(ways.off[way]) / 2)
        way = int(ways.before[way])
    whole = 2 * (begins[-1] - begins[0]) / max(places[0], 1)
    return Grid(tuple(reversed(places)), tuple(reversed(off)), whole or eighth)


def with_triplets(
    begins: Sequence[float], places: Sequence[int], meter: Meter, pickup: Fraction
) -> tuple[Fraction, ...]:
    """Give places in quarters, with triplets: three notes that fill a beat of a simple meter more evenly than sixteenths would.

    Parameters
    ----------
    begins : sequence of float
    places : sequence of int
        As :func:`on_grid` gives them.
    meter : Meter
    pickup : Fraction
        Quarters.

    Examples
    --------
    >>> found = with_triplets([0.0, 0.12, 0.24, 0.36, 0.54], [0, 1, 3, 4, 6], Meter.parse("2/4"), Fraction(0))
    >>> [str(place) for place in found]
    ['0', '1/3', '2/3', '1', '3/2']
    """
    out = [Fraction(place, 4) for place in places]
    thirds = np.array([1, 2]) / 3
    for at in range(len(places) - 3):
        first = places[at]
        if meter.compound or places[at + 3] - first != 4 or (out[at] - pickup).denominator > 1:
            continue
        long = begins[at + 3] - begins[at]
        inside = (np.array(begins[at + 1 : at + 3]) - begins[at]) / long
        there = (np.array(places[at + 1 : at + 3]) - first) / 4
        nearer = ((inside - there) ** 2 - (inside - thirds) ** 2).sum() * (long / _OFF) ** 2 / 2
        if nearer + _TRIPLET > 0:
            out[at + 1 : at + 3] = [out[at] + Fraction(1, 3), out[at] + Fraction(2, 3)]
    return tuple(out)


def _cost_of(begins: Sequence[float], eighth: float, meters: Sequence[Meter]) -> float:
    """How unlikely notes are where an eighth is so long."""
    return float(_walked(begins, eighth, meters)[-1].cost.min()) + len(begins) * log(eighth)


def _unusual(eighth: float, meter: Meter) -> float:
    """How unlikely it is for an eighth of a meter to be so long."""
    return 0.5 * (log(eighth / usual_eighth(meter)) / _VARIED) ** 2


def _walked(begins: Sequence[float], eighth: float, meters: Sequence[Meter]) -> list[_Ways]:
    """For each note, the ways that lead to it."""
    rows = [steps(meter) for meter in meters]
    usual = np.concatenate(rows)  # a row for each place in a bar of each meter
    longs = np.array([len(row) for row in rows])
    firsts = np.cumsum(longs) - longs
    pickups = [(meter, pickup) for meter, long in enumerate(longs.tolist()) for pickup in range(0, long, 2)]
    of, pickup = np.array(pickups).T
    count = len(pickups)
    unusual = np.array([_unusual(eighth, meter) for meter in meters])
    times = (np.array(begins) - begins[0]) / (eighth / 2)
    jitter = (_OFF / (eighth / 2)) ** 2
    onward, blurred, anywhere = _motion()
    spread = anywhere + np.diag([jitter, _MEAN**2, 0])
    ways = _Ways(
        np.arange(count), np.log(longs[of] / 2) + unusual[of], np.zeros(count, np.int64), np.zeros((count, 3)),
        np.repeat(spread[None], count, axis=0), np.zeros(count, np.int64), np.zeros(count),
    )  # fmt: skip
    out = [ways]
    late = onward[:, 0]  # what a clock says of how late it will be
    for now in times[1:].tolist():
        place = ways.place[:, None] + np.arange(1, STEPS + 1)
        off = now - place - ways.clock @ late.T
        wide = np.einsum("si,wij,sj->ws", late, ways.spread, late) + blurred[:, 0, 0] + jitter
        bar = firsts[of[ways.which]] + (ways.place - pickup[ways.which]) % longs[of[ways.which]]
        cost = ways.cost[:, None] + 0.5 * (off**2 / wide + np.log(wide)) - usual[bar]
        before, step = np.nonzero(cost < cost.min() + _DEAREST)
        kept = _cheapest(cost[before, step], ways.which[before], place[before, step])
        before, step = before[kept], step[kept]
        spread = onward[step] @ ways.spread[before] @ onward[step].transpose(0, 2, 1) + blurred[step]
        gain = spread[:, :, 0] / wide[before, step, None]
        clock = np.einsum("wij,wj->wi", onward[step], ways.clock[before]) + gain * off[before, step, None]
        ways = _Ways(
            ways.which[before], cost[before, step], place[before, step], clock,
            spread - gain[:, :, None] * spread[:, None, 0], before, off[before, step],
        )  # fmt: skip
        out.append(ways)
    return out


def _cheapest(cost: Array, which: Whole, place: Whole) -> Whole:
    """Rows that are kept: the cheapest in each place, and the cheapest of these of each meter and pickup."""
    kept = np.lexsort((cost, place, which))
    kept = kept[_rank(which[kept] * (place.max() + 1) + place[kept])[0] < _SAME]
    kept = kept[np.lexsort((cost[kept], which[kept]))]
    rank, first = _rank(which[kept])
    return kept[(rank < _KEPT) & (cost[kept] < cost[kept][first] + _DEARER)]


def _rank(groups: Whole) -> tuple[Whole, Whole]:
    """For each row its number in its group, and its group's first row; the rows of a group lie together."""
    own = np.arange(len(groups))
    first = np.maximum.accumulate(np.where(np.diff(groups, prepend=-1) != 0, own, 0))
    return own - first, first


@cache
def _motion() -> tuple[Array, Array, Array]:
    """How a clock goes on over 1 to ``STEPS`` sixteenths, how it is blurred meanwhile, and how it is spread at any time.

    The first two shapes (steps, 3, 3), the last (3, 3).
    """
    back = sqrt(3) / _SLOW

    def kept(after: Array) -> Array:
        """What is left of a clock after so many sixteenths, shape (..., 3, 3)."""
        less = np.exp(-back * after)
        late, later = (2 - less * (2 + back * after)) / back, (1 - less * (1 + back * after)) / back**2
        one, none = np.ones_like(after), np.zeros_like(after)
        rows = [
            [one, late, later],
            [none, less * (1 + back * after), less * after],
            [none, -less * back**2 * after, less * (1 - back * after)],
        ]
        return np.moveaxis(np.array(rows), (0, 1), (-2, -1))

    moments = (np.arange(STEPS * _FINE) + 0.5) / _FINE
    pushed = kept(moments)[:, :, 2]  # what a push to the tempo's change becomes
    power = 4 * back**3 * _SWAY**2 / _FINE
    blurred = power * (pushed[:, :, None] * pushed[:, None, :]).cumsum(axis=0)[_FINE - 1 :: _FINE]
    return kept(np.arange(1.0, STEPS + 1)), blurred, np.diag([0, _SWAY**2, (back * _SWAY) ** 2])
