"""Meter and repeats of a line of notes on the grid.

A dance comes back: the line is laid against itself, and where it agrees best with what follows, a part is repeated. A part
has four, eight or sixteen bars, which leaves few meters; six eighths are two threes or three twos by where the long notes
begin.

Conventions: quarter notes as Fractions; a line is a list of :class:`~underbow.tune.midi.quantise.Played`.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from underbow.theory.meter import Meter
from underbow.tune.midi.quantise import Played

__all__ = ["agreement", "find_meter", "find_pickup", "part_length", "roll"]

_STEP = 4  # places of the roll to a quarter
_ALIKE = 0.72  # agreement of a part with its repeat
_PARTS = (16, 8, 4)  # bars
_METERS = {Fraction(4): "4/4", Fraction(3): "3/4", Fraction(9, 2): "9/8"}
_SHORTEST_PART, _LONGEST_PART = 12, 72  # quarters
_PICKUP = Fraction(3, 8)  # of a bar: a longer one is rare
_WITHOUT, _LAST, _OTHER_BEATS = (
    1.03,
    3.0,
    0.6,
)  # claim of no pickup; weight of a part's last note; of beats after the first
_BIASED = {Fraction(4): 0.03}  # more common than others


def roll(line: Sequence[Played]) -> NDArray[np.int64]:
    """Give the pitch at every sixteenth, 0 for a rest, shape (places,)."""
    out = np.zeros(int(max(note.end for note in line) * _STEP) + 1, np.int64)
    for note in line:
        out[int(note.start * _STEP) : int(note.end * _STEP)] = note.midi
    return out


def agreement(pitches: NDArray[np.int64], start: int, other: int, count: int) -> float:
    """Share of so many places, from two places on, that have the same pitch."""
    one, two = pitches[start : start + count], pitches[other : other + count]
    length = min(len(one), len(two))
    return float((one[:length] == two[:length]).mean()) if length > count // 2 else 0.0


def part_length(line: Sequence[Played]) -> Fraction | None:
    """Length of the first part, where it is repeated at once; None where nothing is."""
    pitches = roll(line)
    found: list[tuple[float, int]] = []
    for lag in range(_SHORTEST_PART * _STEP, min(_LONGEST_PART * _STEP, len(pitches) // 2) + 1, 2):
        found.append((agreement(pitches, 0, lag, lag), lag))  # noqa: PERF401
    good = [(share, lag) for share, lag in found if share >= _ALIKE]
    if not good:
        return None
    top = max(share for share, _ in good)
    return Fraction(min(lag for share, lag in good if share > top - 0.06), _STEP)


def find_meter(line: Sequence[Played], part: Fraction | None) -> tuple[Meter, float]:
    """Find the meter; how sure it is, 0 to 1."""
    if part is not None:
        fitting = [(bar, bars) for bar in _METERS for bars in _PARTS if bar * bars == part]
        if fitting:
            bar = fitting[0][0] if len(fitting) == 1 else max(fitting, key=lambda fit: _periodic(line, fit[0]))[0]
            return _three_or_six(line, bar), 0.9
    shares = {bar: _periodic(line, bar) + _BIASED.get(bar, 0.0) for bar in _METERS}
    best, second = sorted(shares, key=lambda bar: -shares[bar])[:2]
    return _three_or_six(line, best), float(np.clip(4 * (shares[best] - shares[second]), 0, 0.8))


def find_pickup(line: Sequence[Played], meter: Meter, part: Fraction | None) -> Fraction:
    """Find how long the pickup is: the bar lines lie where the long notes begin, most of all the last one of a part."""
    end = max(note.end for note in line)
    weight = [float(note.end - note.start) for note in line]
    joints = [part * n for n in range(1, int(end / part) + 1)] if part else []
    for joint in [*joints, end]:
        last = max((at for at, note in enumerate(line) if note.end <= joint), default=None)
        if last is not None and line[last].end == joint and (joint != end or part is None):
            weight[last] *= _LAST

    def claim(pickup: Fraction) -> float:
        beats = {(pickup + beat) % meter.bar: _OTHER_BEATS if beat else 1.0 for beat in meter.beats}
        whole = sum(size * beats.get(note.start % meter.bar, 0.0) for size, note in zip(weight, line, strict=True))
        return whole * (_WITHOUT if pickup == 0 else 1.0)

    tried = [Fraction(n, 2) for n in range(int(_PICKUP * meter.bar * 2) + 1)]
    return max(tried, key=lambda pickup: (claim(pickup), -pickup))


def _periodic(line: Sequence[Played], bar: Fraction) -> float:
    """How much the rhythm of a bar is like that of the next ones."""
    begins = np.zeros(int(max(note.end for note in line) * _STEP) + 1)
    for note in line:
        begins[int(note.start * _STEP)] = min(float(note.end - note.start), 2.0)
    begins -= begins.mean()
    lag = int(bar * _STEP)
    if len(begins) < 3 * lag:
        return 0.0
    whole = float((begins**2).sum()) or 1.0
    return float(np.mean([(begins[: -lag * n] * begins[lag * n :]).sum() / whole for n in (1, 2)]))


def _three_or_six(line: Sequence[Played], bar: Fraction) -> Meter:
    if bar != 3:
        return Meter.parse(_METERS[bar])
    eighths = [(round(note.start * 2), float(note.end - note.start)) for note in line if note.end - note.start >= 1]
    if not eighths:
        return Meter.parse("6/8")
    threes = max(np.mean([(place - phase) % 3 == 0 for place, _ in eighths]) for phase in range(3))
    twos = max(np.mean([(place - phase) % 2 == 0 for place, _ in eighths]) for phase in range(2))
    return Meter.parse("6/8" if threes > twos - 0.12 else "3/4")
