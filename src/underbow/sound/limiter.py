"""A look-ahead true-peak limiter that touches only what is too loud, and the gain that reaches a target loudness.

Where a true peak of ``gain x sound`` would pass the ceiling, the gain dips: down before the peak, held over it, up again
after it. The dip is made in decibels, in three steps, each of which keeps it at least as deep as the peaks need:

1. release: from each peak the gain comes back at a steady number of dB a second;
2. hold: at each frame the deepest dip within 2 ms before and after;
3. smoothing: a triangle 2 ms to either side, all weights positive, so that the mean of values at least as deep as
   needed is deep enough. It rounds the corners, which is what keeps the dip from being heard as a click.

Elsewhere the dip is exactly 0 dB and the output is, bit for bit, ``gain x input``. All channels dip together, so that
nothing moves between left and right. The result doesn't depend on the sizes of the blocks.

Conventions: audio is float32, shape ``(frames, channels)``; gains and levels are dB.
Source: the true peak of ITU-R BS.1770-5 (11/2023), Annex 2; limits and targets as in EBU R 128 (v5, 2023) and
AES TD1008 (2021). The shape of the dip: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from math import inf, isfinite, log

import numpy as np
import numpy.typing as npt

from underbow.sound.loudness import Chunks, LoudnessMeter
from underbow.sound.truepeak import LAG, PeakScan

__all__ = ["Level", "Limiter", "find_gain"]

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

_CHUNK = 40_960
_HOLD_SECONDS = 0.002
_RELEASE_DB_PER_SECOND = 80.0
# Meters read true peaks a little differently, and a moving gain bends the curve between samples a little.
_MARGIN_DB = 0.2
# More than this taken off the peaks isn't a louder track but a worse one.
_MOST_DB = 12.0
_TRIES = 6
_NEPERS = np.float32(log(10) / 20)  # natural logarithm of one dB


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
        self._scan = PeakScan(channels, _CHUNK)
        self._chunks = Chunks(_CHUNK, (channels,))
        self._hold = max(1, round(rate * _HOLD_SECONDS))
        self._slope = _RELEASE_DB_PER_SECOND / rate
        self._lag = LAG + 2 * self._hold
        self._late = np.zeros((self._lag, channels), np.float32)
        self._dips = np.zeros(4 * self._hold + _CHUNK)
        self._next = 0.0  # what the last frame of the chunk before asks of the first frame of this one

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

    def _step(self, chunk: Floats) -> Floats:
        """Take a chunk and give as many frames, from ``_lag`` frames before it on."""
        out = np.empty_like(chunk)
        np.multiply(self._late, self._gain, out=out[: self._lag])
        np.multiply(chunk[: -self._lag], self._gain, out=out[self._lag :])
        self._late[:] = chunk[-self._lag :]
        self._scan.load(chunk)
        self._dip_from(*self._scan.above(self._threshold))
        for start, end in self._spans():
            dips = self._smooth(self._dips[start : end + 4 * self._hold])
            self.deepest = min(self.deepest, float(dips.min()))
            out[start:end] *= np.exp(dips.astype(np.float32) * _NEPERS)[:, None]
        return out

    def _spans(self) -> Iterator[tuple[int, int]]:
        """Give the stretches of the output that dip; the dip at a frame reaches 2 holds to either side of its cause."""
        dipping = np.flatnonzero(self._dips)
        if dipping.size:
            gaps = np.flatnonzero(np.diff(dipping) > 4 * self._hold)
            firsts = dipping[np.concatenate([[0], gaps + 1])]
            lasts = dipping[np.concatenate([gaps, [-1]])]
            for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
                start, end = max(first - 4 * self._hold, 0), min(last + 1, _CHUNK)
                if end > start:
                    yield start, end

    def _dip_from(self, windows: npt.NDArray[np.intp], peaks: Floats) -> None:
        """Find the dips, released but not yet held or smoothed, of the next frames."""
        past = 4 * self._hold
        last = self._dips[-1]
        self._dips[:past] = self._dips[-past:]
        now = self._dips[past:]
        now[:] = 0
        now[0] = self._next
        self._next = 0.0
        if windows.size:
            over = np.minimum(-20 * np.log10(np.maximum(peaks.astype(np.float64) / self._threshold, 1e-9)), 0)
            rows = now.reshape(-1, over.shape[1])
            rows[windows] = np.minimum(rows[windows], over)
            # A point between two samples is made by both.
            self._next = float(now[-1])
            now[1:] = np.minimum(now[1:], now[:-1].copy())
        if windows.size or last < 0 or now[0] < 0:
            climb = self._slope * np.arange(1, _CHUNK + 1)
            low = np.minimum(np.minimum.accumulate(now - climb), last)
            now[:] = np.minimum(low + climb, 0)

    def _smooth(self, dips: Doubles) -> Doubles:
        """Hold and smooth; gives ``4 * _hold`` fewer frames than it takes."""
        width, reach = 2 * self._hold + 1, 1
        while reach < width:
            step = min(reach, width - reach)
            dips = np.minimum(dips[:-step], dips[step:])
            reach += step
        for _ in range(2):
            sums = np.concatenate([[0.0], np.cumsum(dips)])
            dips = (sums[self._hold + 1 :] - sums[: -self._hold - 1]) / (self._hold + 1)
        return dips


@dataclass(frozen=True, slots=True)
class Level:
    """What a gain makes of a sound.

    Attributes
    ----------
    gain : float
        dB to give to :class:`Limiter`, a whole number of hundredths.
    lufs, dbtp : float
        Integrated loudness and true peak that come out.
    limited : float
        The deepest dip of the limiter in dB, 0 where it had nothing to do.
    reached : bool
        False where the target can't be had: silence, or so many peaks that the limiter would have to take more than
        12 dB off them.
    """

    gain: float
    lufs: float
    dbtp: float
    limited: float
    reached: bool


def find_gain(
    sound: Callable[[], Iterable[Floats]],
    rate: int,
    *,
    channels: int = 2,
    target: float = -16.0,
    ceiling: float = -1.0,
    tolerance: float = 0.1,
    loudness: float | None = None,
) -> Level:
    """Find the gain at which a sound, limited, has the target loudness.

    Parameters
    ----------
    sound : callable
        Gives the blocks from the start, each of shape ``(frames, channels)``; called once for every try.
    rate : int
        Sample rate in hertz.
    target : float
        LUFS.
    ceiling : float
        dBTP.
    tolerance : float
        LU between the target and what comes out.
    loudness : float or None
        The integrated loudness of the sound where it is known already, as from a ``StemMeter``.

    Returns
    -------
    Level

    Examples
    --------
    >>> sine = 0.1 * np.sin(2 * np.pi * 997 / 48000 * np.arange(96000))
    >>> both = np.stack([sine, sine], axis=1).astype(np.float32)
    >>> find_gain(lambda: [both], 48000).gain
    4.0
    """
    peak = inf
    if loudness is None:
        loudness, peak = _measure(sound(), rate, channels)
    if not isfinite(loudness):
        return Level(0.0, loudness, -inf, 0.0, False)
    gain = round(target - loudness, 2)
    if peak + gain <= ceiling - _MARGIN_DB:
        return Level(gain, loudness + gain, peak + gain, 0.0, True)
    tries: list[Level] = []
    for _ in range(_TRIES):
        limiter = Limiter(rate, channels, gain=gain, ceiling=ceiling)
        lufs, dbtp = _measure(limiter.run(sound()), rate, channels)
        fits = -limiter.deepest <= _MOST_DB + 0.01
        tries.append(Level(gain, lufs, dbtp, limiter.deepest, fits and abs(lufs - target) <= tolerance))
        if tries[-1].reached:
            return tries[-1]
        step = target - lufs
        if len(tries) > 1 and (risen := lufs - tries[-2].lufs):
            # The limiter eats a part of every further dB: the last step tells which.
            step *= min(max((gain - tries[-2].gain) / risen, 1.0), 4.0)
        most = gain + _MOST_DB + limiter.deepest if limiter.deepest else inf
        wanted = round(min(gain + step, most), 2)
        if wanted == gain:
            break
        gain = wanted
    return min(tries, key=lambda level: (level.limited < -_MOST_DB - 0.01, abs(level.lufs - target)))


def _measure(blocks: Iterable[Floats], rate: int, channels: int) -> tuple[float, float]:
    """Give integrated loudness and true peak."""
    meter = LoudnessMeter(rate, channels)
    for block in blocks:
        meter.add(block)
    return meter.integrated(), meter.true_peak()
