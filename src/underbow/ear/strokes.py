"""When each stroke was played: the likeliest way through all of them at once.

For every expected stroke the evidence is looked at within an eighth of a second: what begins to sound there, the play-along
taken away as far as it leaked in. A path through all strokes then weighs how clear the evidence is against how evenly people
play (Viterbi's algorithm over the deviation from the grid, on a grid of 2.9 ms), so that one stroke with poor evidence is
carried by its neighbours, and said not to be judged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from underbow.ear.expected import ExpectedStroke
from underbow.ear.place import Place
from underbow.ear.spectra import HOP, RATE, Floats, band_matrix, frame_blocks, magnitudes
from underbow.sound.samples import cut

Array = NDArray[np.float64]

REACH = 0.125  # seconds early or late that are looked at
_EVEN = 0.028  # seconds: how far a player's neighbouring strokes stray from each other (standard deviation)
_STRAY = 0.05  # seconds: how far strokes lie from the grid at all
_WEIGHT = 1.3  # of the evidence against the player's evenness
_LAG = 3  # frames between which a rise is measured
_FROM, _UNTIL = 5, 22  # frames after a rise in which another one belongs to it ...
_SHADOW = 2.0  # ... unless it is so much stronger
_SMOOTH = np.hanning(7)[1:-1] / np.hanning(7).sum()  # 9 ms
_GRID = np.arange(-round(REACH * RATE / HOP), round(REACH * RATE / HOP) + 1)


@dataclass(frozen=True, slots=True)
class HeardStroke:
    """When a stroke is likeliest to have been played, seconds of the track, and how clear that was, 0 to 1."""

    seconds: float
    clear: float


def onset_curve(take: Floats, track: Floats | None, place: Place, frames: int) -> Floats:
    """Give how much begins to sound in each frame, what leaked from the play-along taken away.

    Parameters
    ----------
    take, track : float32 arrays
        ``track`` is the play-along; None where none is heard in the take.
    place : Place
    frames : int
        Frames of :data:`~underbow.ear.spectra.HOP` samples.

    Returns
    -------
    float32 array, shape (frames,)
        At least 0; even over the take, about 1 at a clear attack.
    """
    out = np.zeros(frames, np.float32)
    leaked = _leak_shares(take, track, place, frames) if track is not None else None
    before: Floats | None = None
    for first, count in frame_blocks(frames):
        bands = magnitudes(take, first * HOP, count) @ band_matrix()
        if leaked is not None and track is not None:
            there = round(place.in_track(first * HOP / RATE) * RATE)
            bands = np.maximum(bands - leaked * (magnitudes(track, there, count) @ band_matrix()), 0.12 * bands)
        rows = np.log1p(300 * bands)
        rows = rows if before is None else np.vstack([before, rows])
        out[first + count - len(rows) + _LAG : first + count] = _rise(rows)
        before = rows[-_LAG:]
    return np.asarray(out / max(float(np.quantile(out, 0.97)), 1e-9))


def _rise(rows: Floats) -> Floats:
    """Rise of each band over the strongest of it and its neighbours some frames ago.

    After Böck and Widmer 2013, "Maximum filter vibrato suppression for onset detection".
    """
    old = rows[:-_LAG]
    wide = old.copy()
    wide[:, 1:] = np.maximum(wide[:, 1:], old[:, :-1])
    wide[:, :-1] = np.maximum(wide[:, :-1], old[:, 1:])
    return np.asarray(np.maximum(rows[_LAG:] - wide, 0).mean(axis=1))


def _leak_shares(take: Floats, track: Floats, place: Place, frames: int) -> Floats:
    """How loud the play-along is in each band of the take: where it is loudest, the take holds at least that much."""
    ratios = []
    for first in range(0, frames, max(frames // 40, 400)):
        there = round(place.in_track(first * HOP / RATE) * RATE)
        here = magnitudes(take, first * HOP, 60, hop=4 * HOP) @ band_matrix()
        leak = magnitudes(track, there, 60, hop=4 * HOP) @ band_matrix()
        loud = leak > 0.3 * leak.max(axis=0, keepdims=True).clip(1e-6)
        ratios.append(np.where(loud, here / np.maximum(leak, 1e-9), np.nan))
    return np.asarray(np.nan_to_num(np.nanquantile(np.concatenate(ratios), 0.08, axis=0)), np.float32)


def follow(curve: Floats, strokes: Sequence[ExpectedStroke], place: Place) -> list[HeardStroke]:
    """Find each stroke in a curve of onsets.

    Parameters
    ----------
    curve : float32 array
        As :func:`onset_curve` gives it.
    strokes : sequence of ExpectedStroke
        Those that lie within the take.
    place : Place

    Returns
    -------
    list of HeardStroke
        One for each stroke.
    """
    if not strokes:
        return []
    centres = [round(place.in_take(stroke.start) * RATE / HOP) for stroke in strokes]
    curve = np.convolve(curve, _SMOOTH, "same").astype(np.float32)
    first = first_rises(curve)
    evidence = np.array([cut(first, centre + _GRID[0], centre + _GRID[-1] + 1) for centre in centres])
    cost = -_WEIGHT * np.log(0.05 + np.clip(evidence, 0, 2)) + 0.5 * (_GRID * HOP / RATE / _STRAY) ** 2
    starts = np.array([stroke.start for stroke in strokes])
    path = cheapest(cost, starts, _GRID * HOP / RATE, even=_EVEN, apart=0.04)
    return [
        _judged(evidence[i], curve, int(step), place, centres[i])
        for i, (step, stroke) in enumerate(zip(path, strokes, strict=True))
    ]


def first_rises(curve: Floats) -> Floats:
    """Take from a curve of onsets what follows close upon a rise as strong.

    A bowed note swells in several pushes, and is heard to begin with the first.

    >>> curve = np.zeros(40, np.float32)
    >>> curve[[10, 22]] = 1.0, 1.5
    >>> first_rises(curve)[[10, 22]].round(2).tolist()
    [1.0, 0.0]
    """
    width = _UNTIL - _FROM + 1
    before = np.lib.stride_tricks.sliding_window_view(np.pad(curve, (_UNTIL, 0)), width)[: len(curve)].max(axis=1)
    return np.asarray(np.maximum(curve - _SHADOW * before, 0), np.float32)


def cheapest(cost: Array, seconds: Array, moves: Array, *, even: float, apart: float) -> NDArray[np.int64]:
    """Choose a move for each of some sounds in a row, the cheapest together: dynamic programming over all of them.

    Parameters
    ----------
    cost : array, shape (sounds, moves)
        Of each move by itself.
    seconds : array, shape (sounds,)
        Where the sounds are expected.
    moves : array, shape (moves,)
        Seconds from there, rising.
    even : float
        Seconds: how far neighbours stray from each other (standard deviation); the further apart they are, the less it costs.
    apart : float
        Seconds that lie at least between neighbours.

    Returns
    -------
    array, shape (sounds,)
        Index of the move of each.

    >>> moves = np.array([-0.1, 0.0, 0.1])
    >>> cost = np.array([[9.0, 0.0, 9.0], [0.0, 0.1, 9.0]])
    >>> [cheapest(cost, np.array([0.0, 0.2]), moves, even=even, apart=0.03).tolist() for even in (0.05, 9.0)]
    [[1, 1], [1, 0]]
    """
    back = np.zeros(cost.shape, np.min_scalar_type(cost.shape[1]))  # no wider than it must be: an hour has many
    total = cost[0]
    between = moves[:, None] - moves[None, :]
    change = 0.5 * (between / (even * 2**0.5)) ** 2
    for i in range(1, len(cost)):
        gap = seconds[i] - seconds[i - 1]
        come = total[None, :] + change * min(0.4 / max(gap, 1e-3), 1.0)
        come = np.where(between + gap < apart, np.inf, come)
        back[i] = come.argmin(axis=1)
        total = cost[i] + come.min(axis=1)
        if not np.isfinite(total).any():  # nowhere to go: begin anew
            back[i], total = int(cost[i - 1].argmin()), cost[i]
    path = np.zeros(len(cost), np.int64)
    path[-1] = int(total.argmin())
    for i in range(len(cost) - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
    return path


def _judged(evidence: Floats, curve: Floats, step: int, place: Place, centre: int) -> HeardStroke:
    low, high = max(step - 3, 0), min(step + 4, len(evidence))
    peak = low + int(evidence[low:high].argmax())
    there = centre + int(_GRID[0]) + peak
    clear = float(np.clip(curve[there], 0, 1)) if 0 <= there < len(curve) else 0.0
    exact = float(peak)
    if 0 < peak < len(evidence) - 1:
        left, mid, right = (float(value) for value in evidence[peak - 1 : peak + 2])
        bend = left - 2 * mid + right
        if bend < -1e-9:
            exact += 0.5 * (left - right) / bend
    seconds = float(place.in_track((centre + int(_GRID[0]) + exact) * HOP / RATE))
    return HeardStroke(seconds, clear)
