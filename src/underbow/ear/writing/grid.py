"""Played notes on an even grid: the beat is followed as it sways, and simple rhythms are preferred.

The grid is made of eighths, each halved once. Every way of putting the notes on it has a cost: how far each note lies off where
the beat so far has it, squared, and something more for each note between the eighths. The cheapest way is searched for with a
bounded number of ways kept (beam search); on each of them the beat follows the notes a little.

Conventions: positions are whole numbers of sixteenths from the first note; times are seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["Grid", "best_grid", "eighth_of", "on_grid"]

_KINDS = ((0.5, 0.04), (1, 0.5), (1.5, 0.02), (2, 0.25), (3, 0.12), (4, 0.07))  # lengths in eighths, how common each is
_SPREAD = 0.13  # of the logarithm of a length
_SHORTEST, _LONGEST, _QUARTER = 0.09, 0.75, 0.37  # seconds of an eighth that are tried; what is longer is a quarter
_WAYS, _PER_PLACE = 30, 3  # that are kept
_OFF = 0.25  # of an eighth: how far notes lie off (standard deviation)
_BETWEEN = 3.2  # cost of a note between the eighths
_ASIDE = 1.0  # of a note of a quarter or more that doesn't begin on a beat
_BEATS = ((4, 0), (4, 2), (6, 0), (6, 2), (6, 4))  # sixteenths from beat to beat, and where the first one lies
_FOLLOW, _SWAY = 0.55, 0.12  # share of a deviation that moves the beat, and its pace
_WIDEST = 0.3  # share by which the pace may leave the first one


@dataclass(frozen=True, slots=True)
class Grid:
    """Notes on the grid.

    Parameters
    ----------
    places : tuple of int
        For each note, sixteenths from the first.
    off : tuple of float
        For each note, how far it lay off, in eighths.
    eighth : float
        Seconds of an eighth, on the whole.
    cost : float
        Of this way, a note.
    """

    places: tuple[int, ...]
    off: tuple[float, ...]
    eighth: float
    cost: float


def eighth_of(begins: Sequence[float]) -> float:
    """Find how long an eighth is, from the lengths between notes: the one that makes them all likeliest.

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
    best = float(tried[np.log(likely).sum(axis=1).argmax()])
    return best / 2 if best > _QUARTER else best


def best_grid(begins: Sequence[float], eighth: float, beat: int | None = None) -> Grid:
    """Put notes on the grid with the beats, of a quarter or of three eighths, on which the long notes begin best.

    Parameters
    ----------
    begins, eighth
        As for :func:`on_grid`.
    beat : int, optional
        Sixteenths of a beat, where it is known: 4 or 6.
    """
    tried = [beats for beats in _BEATS if beat is None or beats[0] == beat] or list(_BEATS)
    return min((on_grid(begins, eighth, beats) for beats in tried), key=lambda grid: grid.cost)


def on_grid(begins: Sequence[float], eighth: float, beats: tuple[int, int] | None = None) -> Grid:
    """Put notes on the grid.

    Parameters
    ----------
    begins : sequence of float
        When each begins, rising; at least one.
    eighth : float
        About how long an eighth is.
    beats : (int, int), optional
        Sixteenths from beat to beat, and where the first one lies: long notes rather begin on them.

    Examples
    --------
    >>> on_grid([0.0, 0.21, 0.4, 0.59, 0.8, 1.21, 1.3, 1.4], 0.2).places
    (0, 2, 4, 6, 8, 12, 13, 14)
    """
    # cost, place, time of that place, eighth, the way here
    ways: list[tuple[float, int, float, float, tuple[int, ...], tuple[float, ...]]] = [
        (0.0, 0, begins[0], eighth, (0,), (0.0,))
    ]
    for begin in begins[1:]:
        new = []
        for cost, place, at, pace, places, offs in ways:
            middle = round((begin - at) / pace * 2)
            for step in {max(middle + by, 1) for by in (-1, 0, 1)}:
                off = begin - (at + step * pace / 2)
                more = 0.5 * (off / (_OFF * pace)) ** 2 + (_BETWEEN if (place + step) % 2 else 0.0)
                if beats is not None and step >= 4 and (place - beats[1]) % beats[0]:
                    more += _ASIDE
                faster = float(np.clip(pace + _SWAY * off * 2 / step, eighth * (1 - _WIDEST), eighth * (1 + _WIDEST)))
                there = at + step * pace / 2 + _FOLLOW * off
                new.append((cost + more, place + step, there, faster, (*places, place + step), (*offs, off / pace)))
        new.sort(key=lambda way: way[0])
        kept: dict[int, int] = {}
        ways = []
        for way in new:
            if kept.get(way[1], 0) < _PER_PLACE and len(ways) < _WAYS:
                kept[way[1]] = kept.get(way[1], 0) + 1
                ways.append(way)
    best = ways[0]
    whole = 2 * (begins[-1] - begins[0]) / max(best[1], 1)
    return Grid(best[4], best[5], whole or eighth, best[0] / len(begins))
