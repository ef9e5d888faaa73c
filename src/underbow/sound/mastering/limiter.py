"""A look-ahead true-peak limiter that touches only what is too loud.

Where a true peak of ``gain x sound`` would pass the ceiling, the gain dips: down before the peak, held over it, up again
after it. The dip is made in decibels, for windows of 64 frames, in three steps, each of which keeps it at least as deep
as the peaks need:

1. release: after each peak the gain comes back at a steady number of dB a second;
2. hold: at each edge of a window the deepest dip of the four windows around it;
3. smoothing: a cubic B-spline through these. At each frame it is a mean, with positive weights, of four values that are
   all deep enough, and its slope and curvature are continuous, which keeps the dip from being heard as a click.

Elsewhere the dip is exactly 0 dB and the output is, bit for bit, ``gain x input``. All channels dip together, so that
nothing moves between left and right. The result doesn't depend on the sizes of the blocks.

Conventions: audio is float32, shape ``(frames, channels)``; gains and levels are dB.
Source: the true peak of ITU-R BS.1770-5 (11/2023), Annex 2; limits and targets as in EBU R 128 (v5, 2023) and
AES TD1008 (2021). The shape of the dip: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import log

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from underbow.sound.chunks import Chunks
from underbow.sound.mastering.loudness import decibels
from underbow.sound.mastering.truepeak import LAG, WINDOW, PeakScan

__all__ = ["Limiter"]

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

_CHUNK = 81_920
_AHEAD = 3  # windows that a dip begins before its cause
_RELEASE_DB_PER_SECOND = 80.0
# Meters read true peaks a little differently, and a moving gain bends the curve between samples a little.
_MARGIN_DB = 0.2
_NEPERS = np.float32(log(10) / 20)  # natural logarithm of one dB


# Rows: the four control points of a uniform cubic B-spline; columns: their weights at the frames of a window.
_STEPS = (np.arange(WINDOW) + 0.5) / WINDOW
_SPLINE = (
    np.stack(
        [
            (1 - _STEPS) ** 3,
            3 * _STEPS**3 - 6 * _STEPS**2 + 4,
            -3 * _STEPS**3 + 3 * _STEPS**2 + 3 * _STEPS + 1,
            _STEPS**3,
        ]
    )
    / 6
)


class Limiter:
    """Apply a gain and keep true peaks below a ceiling.

    Parameters
    ----------
    rate : int
        Sample rate in hertz.
    channels : int
    gain : float
        dB, applied to everything.
    ceiling : float
        dBTP that no meter shall read more than.

    Attributes
    ----------
    deepest : float
        The deepest dip so far in dB, 0 or negative.

    Examples
    --------
    >>> loud = np.full((48000, 2), 0.5, np.float32)
    >>> out = np.concatenate(list(Limiter(48000, 2, gain=12.0).run([loud])))
    >>> len(out), round(float(out[24000, 0]), 2)
    (48000, 0.87)
    """

    def __init__(self, rate: int, channels: int, *, gain: float = 0.0, ceiling: float = -1.0) -> None:
        self.deepest = 0.0
        self._gain = np.float32(10 ** (gain / 20))
        self._threshold = 10 ** ((ceiling - _MARGIN_DB - gain) / 20)
        self._peak = 0.0
        self._scan = PeakScan(channels, _CHUNK)
        self._chunks = Chunks(_CHUNK, (channels,))
        self._slope = _RELEASE_DB_PER_SECOND / rate * WINDOW
        self._lag = LAG + _AHEAD * WINDOW
        self._late = np.zeros((self._lag, channels), np.float32)
        self._dips = np.zeros(2 * _AHEAD + _CHUNK // WINDOW)

    def run(self, blocks: Iterable[Floats]) -> Iterator[Floats]:
        """Give the limited sound, as many frames as went in, in blocks of our own size, each a new array."""
        frames, given = 0, -self._lag
        for block in blocks:
            frames += len(block)
            for chunk in self._chunks.add(block):
                out = self._step(chunk)
                yield out[max(-given, 0) :]
                given += len(out)
        rest = self._chunks.rest()
        while given < frames:
            out = self._step(rest)[: frames - given]
            yield out[max(-given, 0) :]
            given += len(out)
            rest = np.zeros_like(rest)

    def true_peak(self) -> float:
        """Give the true peak in dBTP of what was given out; complete when :meth:`run` is at its end."""
        return decibels(self._peak * float(self._gain))

    def _step(self, chunk: Floats) -> Floats:
        """Take a chunk and give as many frames, from ``_lag`` frames before it on."""
        out = np.empty_like(chunk)
        np.multiply(self._late, self._gain, out=out[: self._lag])
        np.multiply(chunk[: -self._lag], self._gain, out=out[self._lag :])
        self._late[:] = chunk[-self._lag :]
        self._peak = max(self._peak, self._scan.load(chunk))
        windows, peaks = self._scan.above(min(self._peak, self._threshold))
        # A peak above the threshold comes out at the threshold: there the dip is as deep as needed and no deeper.
        self._peak = min(max(self._peak, float(peaks.max(initial=0.0))), self._threshold)
        self._release(windows, peaks)
        held = sliding_window_view(self._dips, _AHEAD + 1).min(axis=1)
        around = sliding_window_view(held, len(_SPLINE))
        dipping = np.flatnonzero(around.min(axis=1))
        if dipping.size:
            dips = around[dipping] @ _SPLINE
            self.deepest = min(self.deepest, float(dips.min()))
            out.reshape(-1, WINDOW, out.shape[1])[dipping] *= np.exp(dips.astype(np.float32) * _NEPERS)[..., None]
        return out

    def _release(self, windows: npt.NDArray[np.intp], peaks: Floats) -> None:
        """Find the dips, released but not yet held or smoothed, of the next windows."""
        last = self._dips[-1]
        self._dips[: 2 * _AHEAD] = self._dips[-2 * _AHEAD :]
        now = self._dips[2 * _AHEAD :]
        now[:] = 0
        if windows.size:
            over = peaks.max(axis=1).astype(np.float64) / self._threshold
            now[windows] = -20 * np.log10(np.maximum(over, 1))
        climb = self._slope * np.arange(1, len(now) + 1)
        now[:] = np.minimum(np.minimum(np.minimum.accumulate(now - climb), last) + climb, 0)
