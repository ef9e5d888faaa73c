"""Repeats of a line of notes on the grid.

A dance comes back: the line is laid against itself, and where it agrees best with what follows, a part is repeated. Where a bar
of it was played otherwise the second time, the likelier one of the two is the tune's.

Conventions: quarter notes as Fractions; a line is a list of :class:`~underbow.tune.midi.quantise.Played`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from itertools import pairwise
from math import log

import numpy as np
from numpy.typing import NDArray

from underbow.ear.writing.barlines import STEPS, steps
from underbow.theory.meter import Meter
from underbow.tune.midi.quantise import Played

__all__ = ["Phrase", "agreement", "likelihood", "part_length", "phrase", "roll"]

Phrase = tuple[tuple[Fraction, Fraction, int], ...]

_STEP = 4  # places of the roll to a quarter
_ALIKE = 0.72  # agreement of a part with its repeat
_SHORTEST_PART, _LONGEST_PART = 12, 72  # quarters
# logarithms: how much likelier it is that a note is missing than too much; and one of the same pitch
_LEFT_OUT, _PARTED = 3.0, 1.0
_HEARD = 4.0  # how much likelier a bar is that is heard elsewhere, too


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


def phrase(line: Sequence[Played], low: Fraction, high: Fraction) -> Phrase | None:
    """Give what begins in a stretch of a line: where, how long, which pitch; None where a note is held over either end."""
    inside = [note for note in line if note.start < high and note.end > low]
    if not inside or inside[0].start < low or inside[-1].end > high:
        return None
    return tuple((note.start - low, note.end - note.start, note.midi) for note in inside)


def likelihood(said: Phrase, meter: Meter, place: Fraction, common: Mapping[int, int], elsewhere: int) -> float:
    """Logarithm of how likely it is that a phrase is what was meant, but for a constant.

    It counts how usual its rhythm is there, how common its pitches are in the tune, and whether it is heard elsewhere. That a
    note is left out or isn't heard is likelier than that one is too much, most of all where the one before has another pitch.

    Parameters
    ----------
    said : Phrase
    meter : Meter
    place : Fraction
        Where it begins in a bar, in quarters.
    common : mapping of int to int
        How many notes of the tune have a pitch.
    elsewhere : int
        How many other bars have the same notes.

    Examples
    --------
    >>> quarter, eighth = Fraction(1), Fraction(1, 2)
    >>> quick = tuple((eighth * at, eighth, 69 + at % 3) for at in range(8))
    >>> slower = ((Fraction(0), quarter, 69), *quick[2:])
    >>> common = {69: 20, 70: 20, 71: 20}
    >>> meter = Meter.parse("4/4")
    >>> likelihood(quick, meter, Fraction(0), common, 0) > likelihood(slower, meter, Fraction(0), common, 0)
    True
    """
    usual = steps(meter)
    begins = [round((place + start) * _STEP) for start, _, _ in said]
    out = _HEARD * (elsewhere > 0)
    for here, there in pairwise([*begins, round((place + said[-1][0] + said[-1][1]) * _STEP)]):
        out += float(usual[here % len(usual), min(max(there - here, 1), STEPS) - 1])
    every = sum(common.values())
    for at, (_, _, midi) in enumerate(said):
        again = at > 0 and said[at - 1][2] == midi
        out += log(max(common.get(midi, 0), 0.5) / every) + (_PARTED if again else _LEFT_OUT)
    return out
