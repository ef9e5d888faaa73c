"""Repeats of a line of notes on the grid.

A dance comes back: the line is laid against itself, and where it agrees best with what follows, a part is repeated.

Conventions: quarter notes as Fractions; a line is a list of :class:`~underbow.tune.midi.quantise.Played`.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from underbow.tune.midi.quantise import Played

__all__ = ["agreement", "part_length", "roll"]

_STEP = 4  # places of the roll to a quarter
_ALIKE = 0.72  # agreement of a part with its repeat
_SHORTEST_PART, _LONGEST_PART = 12, 72  # quarters


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
