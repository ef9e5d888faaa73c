"""Whether a stroke was played at all, and whether it was this hand that sounded.

A stroke that is left out is silent where its partials should be; but a room rings on, and the play-along has the same
chords. So the level of the hand's own partials is taken late in the stroke, what leaked is taken away, and it is held
against the same hand's other strokes nearby, each as loud as its accent asks for. Silence alone isn't enough: where
something clearly begins, much more of it is asked for. A stroke over which the bow goes on isn't silent; it tells by
what doesn't happen: the string runs on where it should begin anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from underbow.ear.expected import ExpectedStroke
from underbow.ear.pitch import hertz
from underbow.ear.place import Place
from underbow.ear.spectra import RATE, Floats, magnitudes

Array = NDArray[np.float64]

_WINDOW, _HOP = 2048, 512
_PARTIALS = 8
_EARLY = 0.45  # of a stroke: it is listened to after that
_NEAR = 12  # strokes on either side that say how loud one should be


@dataclass(frozen=True, slots=True)
class Hearing:
    """What a stroke is looked for in: the take, the play-along (None where none is heard), its place, Hz of A4."""

    take: Floats
    track: Floats | None
    place: Place
    pitch: float


def stroke_levels(hearing: Hearing, strokes: Sequence[ExpectedStroke], late: Sequence[float]) -> Array:
    """Give how loud each stroke's own partials are against what is usual, dB.

    Parameters
    ----------
    hearing : Hearing
    strokes : sequence of ExpectedStroke
    late : sequence of float
        Seconds by which the player was late around each stroke.

    Returns
    -------
    float64 array, shape (strokes,)
        0 is as loud as others of its kind; NaN where a stroke is too short or a chop.
    """
    levels = np.full(len(strokes), np.nan)
    measured = [_powers(hearing, stroke, delay) for stroke, delay in zip(strokes, late, strict=True)]
    ratios = [float(np.median(here / np.maximum(leak, 1e-12))) for here, leak in filter(None, measured) if leak.any()]
    share = float(np.quantile(ratios, 0.05)) if ratios else 0.0
    for i, powers in enumerate(measured):
        if powers is not None:
            here, leak = powers
            power = float(np.median(np.maximum(here - share * leak, 0.02 * here)))
            levels[i] = 10 * np.log10(power + 1e-12) - strokes[i].level
    return _against_neighbours(levels, [stroke.hand for stroke in strokes])


def _powers(hearing: Hearing, stroke: ExpectedStroke, late: float) -> tuple[Array, Array] | None:
    """Power at the partials in each frame of the later part of a stroke: in the take, in the play-along."""
    end = min([stroke.end, *(note.end for note in stroke.notes)])
    begin = stroke.start + max(_EARLY * (end - stroke.start), 0.06)
    if stroke.chop or end - begin < 0.05:
        return None
    bins = sorted(
        {
            round(k * hertz(midi, hearing.pitch) * _WINDOW / RATE) + step
            for _, midi in stroke.hand
            for k in range(1, _PARTIALS + 1)
            for step in (-1, 0, 1)
        }
    )
    count = max(int((end - begin - 0.03) * RATE / _HOP), 1)

    def power(sound: Floats, second: float) -> Array:
        spectra = magnitudes(sound, round(second * RATE) + _HOP, count, hop=_HOP, window=_WINDOW)
        return np.asarray((spectra[:, bins] ** 2).sum(axis=1), np.float64)

    here = power(hearing.take, hearing.place.in_take(begin + late))
    return here, power(hearing.track, begin + late) if hearing.track is not None else np.zeros(count)


def _against_neighbours(levels: Array, hands: Sequence[object]) -> Array:
    usual = np.zeros(len(levels))
    for hand in set(hands):
        mine = np.array([other == hand for other in hands])
        values = levels[mine & np.isfinite(levels)]
        usual[mine] = np.median(values) if len(values) else 0.0
    out = levels - usual
    near = np.zeros(len(out))
    for i in range(len(out)):
        around = out[max(i - _NEAR, 0) : i + _NEAR + 1]
        near[i] = np.median(around[np.isfinite(around)]) if np.isfinite(around).any() else 0.0
    return np.asarray(out - near)


def surely_missing(levels: Array, clear: Sequence[float], broken: Sequence[float | None]) -> list[float]:
    """Say how sure it is that each stroke was not played, 0 where it isn't plain.

    There are two ways to leave a stroke out, and either tells by itself. The bow rests: the hand is silent where it
    should ring, and more silent yet where something else begins. Or it goes on: what sounds runs on as foretold where
    it should break off. Where and how steeply each becomes sure was read off simulated takes (``benchmarks/ear``), a
    little to the safe side.

    Parameters
    ----------
    levels : float64 array, shape (strokes,)
        As :func:`stroke_levels` gives them.
    clear : sequence of float
        How clearly something begins at each stroke, 0 to 1.
    broken : sequence of float or None
        How plainly the sound breaks off there (:class:`~underbow.ear.turns.Turn`); None where that says nothing.

    Returns
    -------
    list of float
        0, or :data:`SURE` to 1.

    >>> levels = np.array([-30.0, -30.0, -80.0, -3.0, 0.0])
    >>> [round(sure, 2) for sure in surely_missing(levels, [0.1, 1.0, 1.0, 0.6, 1.0], [0.8, 0.8, 0.8, 0.8, 0.3])]
    [1.0, 0.0, 1.0, 0.0, 1.0]
    """
    out = []
    for level, begins, breaks in zip(levels, clear, broken, strict=True):
        asked = _SILENT if begins < _BEGINS else _SILENT_AMID
        silent = _sure(-level - asked, _SILENT_WIDTH) if np.isfinite(level) else 0.0
        held = _sure(_HELD - breaks, _HELD_WIDTH) if breaks is not None else 0.0
        sure = max(silent, held)
        out.append(sure if sure >= SURE else 0.0)
    return out


def _sure(over: float, width: float) -> float:
    """The logistic function."""
    return float(1 / (1 + np.exp(-np.clip(over / width, -50, 50))))


SURE = 0.9  # what is said to be missing is at least so sure: to say so wrongly is worse than to say nothing
# dB softer than usual: 17 of them the play-along can feign, more is never taken away
_SILENT, _SILENT_WIDTH = 20.0, 1.5
_BEGINS = 0.8  # where so clearly something begins, another hand was played, perhaps ...
_SILENT_AMID = 40.0  # ... and it must be as silent as no sounding string leaves the places of its partials
_HELD, _HELD_WIDTH = 0.5, 0.025  # how plainly a sound breaks off
