"""True peak: how high the sound rises between its samples, worked out only where that can matter.

The sound between two samples is had by interpolation to eight times the rate, as BS.1770 asks (it wants four or more).
Doing so everywhere would be the dearest step of the whole meter, and nearly all of it in vain. So the samples are looked
at in windows, and a window is interpolated only where it could hold a point above a threshold. Two bounds decide it,
with ``h`` the taps of one interpolated point, a fraction ``f`` of the way from sample 0 to sample 1:

1. ``|y| <= M sum|h|``, M being the highest sample the taps reach.
2. Write ``h`` as straight-line interpolation plus a rest ``e``. The line never leaves ``[-M, M]``. The taps are scaled
   so that ``sum e = 0``; with ``d = sum j e_j`` and summation by parts done twice, the rest is at most
   ``|d| max|x'| + sum|E| max|x''|``, where ``E`` is the running sum of the running sum of ``e``, ``x'`` and ``x''``
   the first and second differences of the samples, and ``max|x'| <= 2 M``. Music bends slowly: this bound is tight.

Conventions: audio is float32, shape ``(frames, channels)``; levels are linear, 1 being full scale.
Source: ITU-R BS.1770-5 (11/2023), Annex 2.
"""

from __future__ import annotations

from functools import reduce

import numpy as np
import numpy.typing as npt

__all__ = ["LAG", "WINDOW", "PeakScan"]

Floats = npt.NDArray[np.float32]

_FACTOR = 8
_REACH = 16
#: Frames looked at together.
WINDOW = 64
_SPAN = WINDOW + 2 * _REACH
# Pieces of a window are interpolated by one matrix, so many at a time that OpenBLAS doesn't split the work over threads.
_PIECE, _LOT = 16, 32
#: Frames by which the points found lie behind the frames given: the taps must see what follows.
LAG = _REACH


def _taps() -> npt.NDArray[np.float64]:
    """Give the interpolator, shape ``(2 * _REACH, _FACTOR - 1)``: taps for samples -15..16, a column for each fraction."""
    fraction = np.arange(1, _FACTOR) / _FACTOR
    distance = np.arange(1 - _REACH, _REACH + 1)[:, None] - fraction
    taps = np.sinc(distance) * np.i0(7.0 * np.sqrt(1 - (distance / _REACH) ** 2))
    return np.asarray(taps / taps.sum(axis=0))


def _bounds(taps: npt.NDArray[np.float64]) -> tuple[float, float, float]:
    """Give what multiplies M in bound 1, M in bound 2 and the second difference in bound 2; a hair wide for rounding."""
    fraction = np.arange(1, _FACTOR) / _FACTOR
    rest = taps.copy()
    rest[_REACH - 1] -= 1 - fraction
    rest[_REACH] -= fraction
    lean = np.abs(np.arange(1 - _REACH, _REACH + 1) @ rest).max()
    bend = np.abs(np.cumsum(np.cumsum(rest, axis=0), axis=0)).sum(axis=0).max()
    hair = 1 + 1e-5
    return float(np.abs(taps).sum(axis=0).max() * hair), float((1 + 2 * lean) * hair), float(bend * hair)


def _toeplitz(taps: npt.NDArray[np.float64]) -> Floats:
    """Give the matrix that makes all points between a piece's frames from the samples around it, ``(48, 7 * 16)``."""
    matrix = np.zeros((_PIECE + 2 * _REACH, _FACTOR - 1, _PIECE), np.float32)
    for frame in range(_PIECE):
        matrix[frame + 1 : frame + 1 + len(taps), :, frame] = taps
    return matrix.reshape(len(matrix), -1)


_TAPS = _toeplitz(_taps())
_SUM, _LINE, _BEND = _bounds(_taps())


class PeakScan:
    """Find the places of a stream that rise above a threshold, between samples too.

    Parameters
    ----------
    channels : int
    chunk : int
        Frames given at a time; a multiple of 64.
    """

    def __init__(self, channels: int, chunk: int) -> None:
        if chunk % WINDOW:
            raise ValueError(f"chunk must be a multiple of {WINDOW}, not {chunk}")
        self._channels = channels
        self._audio = np.zeros((chunk + 2 * _REACH, channels), np.float32)
        self._tallest = (np.zeros(self._audio.size, np.float32), np.zeros(self._audio.size, np.float32))
        self._spans = np.lib.stride_tricks.sliding_window_view(self._audio.reshape(-1), _SPAN * channels)[
            :: WINDOW * channels
        ]
        self._tops = np.zeros(chunk // WINDOW, np.float32)

    def load(self, chunk: Floats) -> float:
        """Take the next chunk, shape ``(chunk, channels)``; give its highest sample."""
        past = 2 * _REACH
        self._audio[:past] = self._audio[-past:]
        self._audio[past:] = chunk
        now, then = self._tallest
        np.abs(self._audio.reshape(-1), out=now)
        for frames in (1, 2, 4, 8, 16):  # of twice as many frames each time: far faster than the highest of each row
            step = frames * self._channels
            np.maximum(now[:-step], now[step:], out=then[:-step])
            now, then = then, now
        half = reduce(np.maximum, (now[channel :: 32 * self._channels] for channel in range(self._channels)))
        self._tops = np.maximum(np.maximum(half[:-2:2], half[1:-1:2]), half[2::2])
        return float(half.max())

    def above(self, threshold: float) -> tuple[npt.NDArray[np.intp], Floats]:
        """Give the windows of the chunk that may rise above a threshold, and the true peaks in them.

        Returns
        -------
        windows : shape (k,)
            Window ``w`` holds the frames ``64 w`` to ``64 w + 63``, counted from ``LAG`` frames before the chunk.
        peaks : shape (k, 64)
            For each frame the highest of the sample and the seven points after it, over all channels. Every point
            of the chunk above the threshold is among them.
        """
        windows = np.flatnonzero(self._tops * _SUM > threshold)
        if windows.size:
            spans, step = self._spans[windows], self._channels
            bend = spans[:, step:] - spans[:, :-step]
            bend = np.abs(bend[:, step:] - bend[:, :-step]).max(axis=1)
            keep = self._tops[windows] * _LINE + bend * _BEND > threshold
            windows, spans = windows[keep], spans[keep]
        if not windows.size:
            return windows, np.zeros((0, WINDOW), np.float32)
        lanes = np.ascontiguousarray(spans.reshape(-1, _SPAN, self._channels).transpose(2, 0, 1))
        pieces = np.lib.stride_tricks.sliding_window_view(lanes, len(_TAPS), axis=2)[:, :, ::_PIECE]
        pieces = pieces[:, :, : WINDOW // _PIECE].reshape(-1, len(_TAPS))
        lots = np.zeros((-(-len(pieces) // _LOT), _LOT, len(_TAPS)), np.float32)
        lots.reshape(-1, len(_TAPS))[: len(pieces)] = pieces
        points = np.matmul(lots, _TAPS).reshape(-1, _FACTOR - 1, _PIECE)[: len(pieces)]
        between = np.abs(points, out=points).max(axis=1).reshape(*lanes.shape[:2], WINDOW).max(axis=0)
        samples = np.abs(lanes[:, :, _REACH : _REACH + WINDOW]).max(axis=0)
        return windows, np.maximum(between, samples)
