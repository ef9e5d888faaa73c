"""Where the bow turns, by the phase of what sounds.

A string that is bowed on runs on as its last moments foretell: each partial keeps its strength and its frequency. Where
the bow turns, that breaks off and begins anew, however softly. So each partial is foretold from two moments for a third,
and how far what comes lies from that says how plainly the sound breaks there (the complex domain of J. Bello,
C. Duxbury, M. Davies and M. Sandler, "On the use of phase and energy for musical onset detection in the complex domain",
IEEE Signal Processing Letters 11, 2004; from memory), here at the partials of the stroke's own hand and of the one
before it, which the learner's sound has most of.

A note swells in its own way, and may be counted late, with its second push. Its break is blunter, and never far off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from underbow.ear.expected import ExpectedStroke
from underbow.ear.pitch import hertz
from underbow.ear.presence import Hearing
from underbow.ear.spectra import HOP, RATE, WINDOW, spectra
from underbow.ear.strokes import HeardStroke

Array = NDArray[np.float64]

PLAIN = 0.3  # by which a break must stand over how the sound runs on
_AROUND = round(0.125 * RATE / HOP)  # frames on either side that say how it runs on ...
_REACH = round(0.08 * RATE / HOP)  # ... and those in which the break is looked for
_LAG = 4  # frames between the moments: 12 ms
_PARTIALS = 8
_QUIET = 0.2  # of the loudest moment: what is softer is noise, of which nothing is foretold
_SHARE = 0.5  # of the break's height: what is over that is its middle
_AFTER = 0.004  # seconds from a note's onset, as listeners hear it, to the middle of its break, for most fiddles
_AGREE = 0.016  # seconds by which the break and the rise in loudness may differ and be of one onset
_RISE = 2 / 3  # of the weight is the rise's then
_CLEAR = 0.3  # what a rise must reach to count


@dataclass(frozen=True, slots=True)
class Turn:
    """The plainest break near a stroke.

    Parameters
    ----------
    seconds : float
        Of the track: when the note after it is heard to begin.
    broken : float
        How little of it was foretold, 0 (all of it) to 2; near 1 where a note begins, near 0 where one is held on.
    stands : float
        By how much that is more than usual around it, at least 0.
    """

    seconds: float
    broken: float
    stands: float


def bow_turns(hearing: Hearing, strokes: Sequence[ExpectedStroke], found: Sequence[HeardStroke]) -> list[Turn | None]:
    """Look for the bow's turn near where each stroke was found.

    Parameters
    ----------
    hearing : Hearing
    strokes : sequence of ExpectedStroke
    found : sequence of HeardStroke
        One for each stroke.

    Returns
    -------
    list of Turn or None
        One for each stroke; None for a chop, which has no partials.
    """
    out: list[Turn | None] = []
    for i, stroke in enumerate(strokes):
        pitches = [midi for near in strokes[max(i - 1, 0) : i + 1] for _, midi in near.hand if not near.chop]
        if stroke.chop or not pitches:
            out.append(None)
            continue
        here = found[i].seconds
        # no further than halfway to its neighbours, whose own breaks lie there
        sides = [(found[k].seconds - here) / 2 if 0 <= k < len(found) else np.inf for k in (i - 1, i + 1)]
        out.append(_turn(hearing, here, pitches, (abs(sides[0]), sides[1])))
    return out


def dated(found: Sequence[HeardStroke], turns: Sequence[Turn | None]) -> list[HeardStroke]:
    """When each stroke began, by its rise in loudness and by the bow's turn together.

    How a fiddle's notes die away and swell puts all its turns a little earlier or later against their rises. Which of the
    two is right nobody knows, so the turns are moved halfway to the rises, by the median over the take. Then a rise
    counts for more than a turn, which is blunter, but for nothing where it is far from one.

    >>> turns = [Turn(seconds, broken=0.8, stands=0.6) for seconds in (1.0, 2.0, 3.0)]
    >>> found = [HeardStroke(seconds, clear=0.5) for seconds in (1.004, 2.004, 3.05)]
    >>> [round(onset.seconds, 4) for onset in dated(found, turns)]
    [1.0033, 2.0033, 3.002]
    """
    apart = [
        onset.seconds - turn.seconds
        for onset, turn in zip(found, turns, strict=True)
        if turn is not None and turn.stands >= PLAIN and onset.clear >= _CLEAR
    ]
    own = 0.5 * float(np.median(apart)) if apart else 0.0
    return [_together(onset, turn, own) for onset, turn in zip(found, turns, strict=True)]


def _together(onset: HeardStroke, turn: Turn | None, own: float) -> HeardStroke:
    if turn is None or turn.stands < PLAIN:
        return onset
    seconds = turn.seconds + own
    if onset.clear >= _CLEAR and abs(onset.seconds - seconds) < _AGREE:
        seconds += _RISE * (onset.seconds - seconds)
    return HeardStroke(seconds, max(onset.clear, turn.stands))


def _turn(hearing: Hearing, here: float, pitches: Sequence[int], sides: tuple[float, float]) -> Turn:
    middle = round(hearing.place.in_take(here) * RATE)
    curve = breaks(hearing.take, middle, _AROUND, [hertz(midi, hearing.pitch) for midi in pitches])
    low, high = (min(_REACH, int(side * RATE / HOP)) if np.isfinite(side) else _REACH for side in sides)
    near = curve[_AROUND - low : _AROUND + high + 1]
    weight = np.maximum(near - _SHARE * near.max(), 0)
    frame = float((weight * np.arange(-low, high + 1)).sum() / weight.sum()) if weight.any() else 0.0
    late = frame * HOP / RATE - _AFTER
    broken = float(near.max())
    return Turn(here + late / hearing.place.rate, broken, max(broken - float(np.median(curve)), 0.0))


def breaks(take: NDArray[np.float32], middle: int, frames: int, pitches: Sequence[float]) -> Array:
    """How little of the partials of some pitches is foretold, in the frames around a sample.

    Parameters
    ----------
    take : float32 array
        At :data:`~underbow.ear.spectra.RATE`.
    middle : int
        A sample of it.
    frames : int
        On either side, :data:`~underbow.ear.spectra.HOP` samples each.
    pitches : sequence of float
        Hz.

    Returns
    -------
    float64 array, shape (2 * frames + 1,)
        0 to 2.

    >>> t = np.arange(RATE) / RATE
    >>> steady = np.sin(2 * np.pi * 440 * t).astype(np.float32)
    >>> turned = np.where(t < 0.5, steady, -steady)
    >>> [round(float(breaks(sound, RATE // 2, 20, [440.0]).max()), 1) for sound in (steady, turned)]
    [0.0, 1.1]
    """
    partials = {round(k * pitch * WINDOW / RATE) for pitch in pitches for k in range(1, _PARTIALS + 1)}
    bins = sorted({bin + d for bin in partials for d in (-1, 0, 1) if bin + d <= WINDOW // 2})
    heard = spectra(take, middle - (frames + _LAG) * HOP, 2 * (frames + _LAG) + 1)[:, bins]
    strength = np.abs(heard)
    phase = heard / np.maximum(strength, 1e-9)
    foretold = heard[_LAG:-_LAG] * phase[_LAG:-_LAG] * phase[: -2 * _LAG].conj()
    missed = np.abs(heard[2 * _LAG :] - foretold).sum(axis=1)
    # as strong as the stronger of the two: what grows out of nothing wasn't foretold, and neither is what dies away
    whole = np.maximum(strength[2 * _LAG :], strength[_LAG:-_LAG]).sum(axis=1)
    return np.asarray(missed / np.maximum(whole, _QUIET * whole.max() + 1e-9))
