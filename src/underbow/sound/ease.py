"""Noise eased: what a room, a microphone and a street add to a recording, lowered where nothing else sounds, and never cut off.

What the noise is like is taken from the recording's own quietest moments, band by band. A band is lowered by at most
:data:`MOST_DB`, gradually, as far as it holds no more than that.

Conventions: float32, mono.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from underbow.sound.samples import cut

__all__ = ["MOST_DB", "ease"]

Floats = NDArray[np.float32]

MOST_DB = 10.0
_WINDOW, _HOP = 2048, 512
_LOOKED_AT = 1500  # frames from which the noise is learned
_QUIETEST = 0.1  # share of the frames of a band that hold noise alone
_HOLDS, _OVER = (
    1.3,
    2.2,
)  # a band and its neighbours up to there over the noise hold nothing else; from there on, all; amplitude
_FALL = 0.7  # of the gain that is kept from frame to frame where it falls: 12 ms each
_BLOCK = 256  # frames


def ease(sound: Floats) -> Iterator[Floats]:
    """Ease the noise of a recording.

    Parameters
    ----------
    sound : float32 array, shape (frames,)
        May be a memory map.

    Yields
    ------
    float32 array
        Pieces of the result, as long as the recording in all.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> noisy = rng.normal(0, 0.01, 60_000).astype(np.float32)
    >>> noisy[20_000:40_000] += np.sin(np.arange(20_000) / 8).astype(np.float32)
    >>> eased = np.concatenate(list(ease(noisy)))
    >>> before, after = float(noisy[:15_000].std()), float(eased[:15_000].std())
    >>> len(eased) == len(noisy), round(20 * np.log10(after / before)) <= -5
    (True, True)
    """
    window = np.sqrt(np.hanning(_WINDOW + 1)[:-1]).astype(np.float32)
    noise = _noise(sound, window)
    gain, before = np.ones(len(noise), np.float32), np.zeros((2, len(noise)))
    least = np.float32(10 ** (-MOST_DB / 20))
    count = -(-(len(sound) + _WINDOW) // _HOP)
    tail = np.zeros(_WINDOW, np.float32)
    left = len(sound)
    skip = _WINDOW - _HOP
    for first in range(0, count, _BLOCK):
        ends = range((first + 1) * _HOP, (min(first + _BLOCK, count) + 1) * _HOP, _HOP)
        frames = [cut(sound, end - _WINDOW, end) * window for end in ends]
        spectra = np.fft.rfft(np.array(frames), axis=1)
        power = np.vstack([before, np.abs(spectra) ** 2])
        before = power[-2:]
        around = np.pad(power[2:] + power[1:-1] + power[:-2], ((0, 0), (2, 2)), mode="edge")
        mean = sum(around[:, by : by + len(noise)] for by in range(5)) / 15
        wanted = np.clip((np.sqrt(mean) / np.maximum(noise, 1e-9) - _HOLDS) / (_OVER - _HOLDS), 0, 1)
        wanted = (least + (1 - least) * wanted).astype(np.float32)
        out = []
        for row, spectrum in zip(wanted, spectra, strict=True):
            gain = np.maximum(row, _FALL * gain + (1 - _FALL) * row)
            tail[:] += np.fft.irfft(spectrum * gain).astype(np.float32) * window / 2
            out.append(tail[:_HOP].copy())
            tail = np.concatenate([tail[_HOP:], np.zeros(_HOP, np.float32)])
        piece = np.concatenate(out)[skip:]
        skip = max(skip - len(out) * _HOP, 0)
        piece = piece[:left]
        left -= len(piece)
        yield piece


def _noise(sound: Floats, window: Floats) -> Floats:
    """Amplitude of each band in its quietest frames."""
    step = max((len(sound) - _WINDOW) // _LOOKED_AT, _HOP)
    frames = [cut(sound, at, at + _WINDOW) * window for at in range(0, max(len(sound) - _WINDOW, 1), step)]
    size = np.abs(np.fft.rfft(np.array(frames), axis=1)).astype(np.float32)
    floor = np.quantile(size, _QUIETEST, axis=0)
    smooth = np.convolve(np.pad(floor, 4, mode="edge"), np.ones(9) / 9, "valid")
    # the quietest tenth of a Rayleigh-distributed amplitude lies at 0.46 of its root mean square
    return np.asarray(np.minimum(floor, 2 * smooth) / 0.46, np.float32)
