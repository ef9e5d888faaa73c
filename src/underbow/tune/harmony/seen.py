"""Counting what a tune's units hold: see :mod:`underbow.tune.harmony.units` for the words."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from underbow.theory.meter import Meter
from underbow.tune.harmony.units import GRID, RINGS, TOGETHER, Array, Seen, Unit, units_of
from underbow.tune.tune import Tune

_EPS = 1e-6
_HALF, _BAR, _LINKS = slice(0, 4), slice(4, 8), slice(8, 10)


def see(tune: Tune) -> Seen:
    """Look at a tune."""
    units = units_of(tune)
    n = len(units)
    rings = np.zeros((len(RINGS), n, 12))
    links = np.zeros((n, 2, 24))
    played = _placed(tune, units)
    _count_units(units, played, rings, links)
    bars = np.array([unit.bar for unit in units])
    sections = np.cumsum([unit.begins for unit in units]) - 1
    _count_around(rings, bars, sections)
    together = np.zeros((n, len(TOGETHER), 24))
    together[:, _HALF] = _sounding_together(rings[0])
    together[:, _BAR] = _sounding_together(rings[RINGS.index("bar")])
    together[:, _LINKS] = np.minimum(links, 3) / 2
    share = rings[RINGS.index("tune"), 0]
    share = share / max(share.sum(), _EPS)
    places = tuple(_place(unit, n - 1 - i, share, played[i]) for i, unit in enumerate(units))
    likeness = _likeness(rings[0])
    changes = tuple(_change(unit, played[i], likeness[i - 1]) if i else {} for i, unit in enumerate(units))
    return Seen(
        tuple(units),
        rings.transpose(1, 0, 2).copy(),
        _grid(played),
        together,
        places,
        changes,
        _alike(units, played, bars),
    )


# A note inside a unit: start in it, length in it (shares of the unit), semitones above the tonic, MIDI number, whether it begins
# here, whether on a beat, the moves to it and from it in semitones (0 where there is none).
_Part = tuple[float, float, int, int, bool, bool, int, int]


def _placed(tune: Tune, units: list[Unit]) -> list[list[_Part]]:
    """Share the notes out among the units."""
    by_measure: dict[int, list[int]] = {}
    for index, unit in enumerate(units):
        by_measure.setdefault(unit.measure, []).append(index)
    ends = {i: [units[index].end for index in wanted] for i, wanted in by_measure.items()}
    out: list[list[_Part]] = [[] for _ in units]
    flat = [(i, note) for i, measure in enumerate(tune.measures) for note in measure.notes]
    pitches = [note.pitch.midi for _, note in flat]
    for k, (i, note) in enumerate(flat):
        wanted = by_measure.get(i)
        if wanted is None:
            continue
        midi = pitches[k]
        come = midi - pitches[k - 1] if k else 0
        go = pitches[k + 1] - midi if k + 1 < len(pitches) else 0
        start = note.start.numerator / note.start.denominator
        end = start + note.length.numerator / note.length.denominator
        beat = _beat(tune.measures[i].meter)
        on_beat = abs(start / beat - round(start / beat)) < _EPS
        for index in wanted if len(wanted) < 5 else _reached(wanted, ends[i], end - start, start):
            unit = units[index]
            size = unit.end - unit.start
            low, high = max(start, unit.start), min(end, unit.end)
            if high > low + _EPS:
                begins = start > unit.start - _EPS
                out[index].append(((low - unit.start) / size, (high - low) / size, (midi - unit.tonic) % 12, midi, begins,
                                   on_beat and begins, come, go))  # fmt: skip
    return out


@cache
def _beat(meter: Meter) -> float:
    beat = float(meter.beat)
    return beat if beat < 2 else 1.0


def _reached(wanted: list[int], ends: list[float], length: float, start: float) -> list[int]:
    """In a measure of many bars, the units that a note reaches."""
    first = bisect_right(ends, start + _EPS)
    return wanted[first : bisect_left(ends, start + length - _EPS) + 1]


def _count_units(units: list[Unit], played: list[list[_Part]], rings: Array, links: Array) -> None:
    """Count each unit's own notes: the first ten rings."""
    for i, parts in enumerate(played):
        if not parts:
            continue
        lowest = highest = longest = parts[0]
        for part in parts:
            start, length, tone, midi, begins, on_beat, come, go = part
            rings[0, i, tone] += length
            if begins and on_beat and start > _EPS:
                rings[2, i, tone] += 1
            if start + length > 0.5 + _EPS:
                rings[3, i, tone] += start + length - max(start, 0.5)
            if start > _EPS and 0 < abs(come) <= 2 and 0 < abs(go) <= 2 and not on_beat:
                rings[8, i, tone] += length
            if abs(come) > 2 or abs(go) > 2:
                rings[9, i, tone] += length
            lowest = part if midi < lowest[3] else lowest
            highest = part if midi > highest[3] else highest
            longest = part if length > longest[1] else longest
        first = parts[0]
        if first[0] < _EPS:
            rings[1, i, first[2]] = 1
        for ring, part in ((4, lowest), (5, highest), (6, longest), (7, parts[-1])):
            rings[ring, i, part[2]] = 1
        for a, b in pairwise(parts):
            if abs(b[3] - a[3]) > 2:
                links[i] += _LEAPS[a[2], b[2]]


def _grid(played: list[list[_Part]]) -> Array:
    """How much of each slot of the units each tone sounds: shape (n, GRID, 12)."""
    cells: dict[tuple[int, int, int], float] = {}
    for i, parts in enumerate(played):
        for part in parts:
            start, end, tone = part[0] * GRID, (part[0] + part[1]) * GRID, part[2]
            for slot in range(int(start + _EPS), min(int(end - _EPS) + 1, GRID)):
                cell = (i, slot, tone)
                cells[cell] = cells.get(cell, 0.0) + min(end, slot + 1) - max(start, slot)
    out = np.zeros((len(played), GRID, 12))
    if cells:
        out[tuple(np.array(list(cells)).T)] = list(cells.values())
    return out


def _leaps() -> Array:
    """For every pair of notes: which chords have one of them, which have both."""
    out = np.zeros((12, 12, 2, 24))
    for chord in range(24):
        root, minor = divmod(chord, 2)
        tones = {root, (root + 4 - minor) % 12, (root + 7) % 12}
        for a in range(12):
            for b in range(12):
                both = (a in tones) + (b in tones)
                if both:
                    out[a, b, both - 1, chord] = 1
    return out


_LEAPS = _leaps()


def _count_around(rings: Array, bars: NDArray[np.intp], sections: NDArray[np.intp]) -> None:
    """Count what lies around each unit, from what the units hold."""
    name = {ring: number for number, ring in enumerate(RINGS)}
    n = len(bars)
    heads = np.flatnonzero(np.diff(bars, prepend=-1))  # first unit of each bar
    of_bar = np.searchsorted(heads, np.arange(n), side="right") - 1
    sizes = np.diff(heads, append=n)
    whole = np.add.reduceat(rings[0], heads) / sizes[:, None]
    none = np.zeros((1, 12))
    rings[name["bar"]] = whole[of_bar]
    rings[name["bar first"]] = rings[name["first"], heads][of_bar]
    rings[name["bar before"]] = np.vstack([none, whole])[of_bar]
    rings[name["bar after"]] = np.vstack([whole, none])[of_bar + 1]
    rings[name["next bar first"]] = np.vstack([rings[name["first"], heads], none])[of_bar + 1]
    rings[name["before"], 1:] = rings[0, :-1]
    rings[name["after"], :-1] = rings[0, 1:]
    rings[name["after first"], :-1] = rings[name["first"], 1:]
    tails = np.append(np.flatnonzero(np.diff(sections)), n - 1)
    begins = np.append(0, tails[:-1] + 1)
    rings[name["section"]] = (np.add.reduceat(rings[0], begins) / np.diff(begins, append=n)[:, None])[sections]
    rings[name["section end"]] = rings[name["last"], tails][sections]
    rings[name["tune"]] = rings[0].mean(0)
    rings[name["tune end"]] = rings[name["last"], n - 1]


def _sounding_together(ring: Array) -> Array:
    """Which two of a chord's three notes are there, or all three: shape (n, 4, 24)."""
    there = ring > 0
    first = np.repeat(there, 2, axis=1)
    third = np.stack([np.roll(there, -4, axis=1), np.roll(there, -3, axis=1)], axis=2).reshape(len(ring), 24)
    fifth = np.repeat(np.roll(there, -7, axis=1), 2, axis=1)
    return np.stack(
        [first & third & ~fifth, first & fifth & ~third, third & fifth & ~first, first & third & fifth], 1
    ).astype(float)


def _place(unit: Unit, left: int, share: Array, parts: list[_Part]) -> dict[str, float]:
    s = min(unit.place, 1)
    out = {
        "always": 1.0,
        f"bar {unit.number % 8} of 8": 1.0,
        f"bar {unit.number % 4}, unit {s}": 1.0,
        f"meter {unit.kind}": 1.0,
    }
    if unit.left < 2:
        out[f"{unit.left} from the end, unit {s}"] = 1.0
    if left < 2:
        out[f"last bar, unit {s}"] = 1.0
    if unit.number == 0:
        out[f"first bar, unit {s}"] = 1.0
    if not parts:
        out["rest"] = 1.0
    for tone, weight in ((0, 2.0), (3, 4.0), (4, 2.0), (6, 4.0), (10, 4.0), (11, 4.0)):
        out[f"tune's share of {tone}"] = float(share[tone]) * weight
    return out


def _likeness(ring: Array) -> list[float]:
    """How alike the notes of each unit but the first are to those of the one before it: their vectors' cosine, 0 for a rest."""
    sizes = np.sqrt((ring * ring).sum(1))
    products = sizes[1:] * sizes[:-1]
    dots = (ring[1:] * ring[:-1]).sum(1)
    likeness: list[float] = np.divide(dots, products, out=np.zeros_like(dots), where=products > 0).tolist()
    return likeness


def _change(unit: Unit, parts: list[_Part], likeness: float) -> dict[str, float]:
    s = min(unit.place, 1)
    out = {"always": 1.0, f"meter {unit.kind}, unit {s}": 1.0, f"bar {unit.number % 4}, unit {s}": 1.0,
           f"{min(unit.left, 2)} from the end, unit {s}": 1.0}  # fmt: skip
    if not any(part[4] and part[0] < _EPS for part in parts):
        out[f"no note begins, unit {s}"] = 1.0
    out["likeness to the unit before"] = likeness
    return out


def _alike(units: list[Unit], played: list[list[_Part]], bars: NDArray[np.intp]) -> NDArray[np.intp]:
    """Number the units so that those of bars with the same notes are the same."""
    bodies: dict[int, list[tuple[object, ...]]] = {}
    for unit, parts in zip(units, played, strict=True):
        bodies.setdefault(unit.bar, []).append(tuple((round(p[0], 4), round(p[1], 4), p[2]) for p in parts))
    numbers: dict[tuple[object, ...], int] = {}
    return np.array([
        numbers.setdefault((tuple(bodies[unit.bar]), unit.place, unit.kind), len(numbers)) for unit in units
    ])  # fmt: skip
