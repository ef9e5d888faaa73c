"""Noise that is the same every time: long periodic bands of it, cut where an action's own number says.

Python's ``hash`` differs from run to run; the number of an action is the CRC-32 of what it says.
"""

from __future__ import annotations

import zlib

import numpy as np

from underbow.sound.voice.voices import Samples


def number_of(thing: object, salt: str = "") -> int:
    """Give a number that depends only on what a thing says of itself: the same on every machine and in every run.

    >>> number_of((55, "d")), number_of((55, "u"))
    (3015038914, 2924551813)
    """
    return zlib.crc32(f"{thing!r}{salt}".encode())


def cut(loop: Samples, start: int, frames: int) -> Samples:
    """Cut so many frames out of an endless repetition of a loop.

    >>> cut(np.arange(4, dtype=np.float32), 7, 6).tolist()
    [3.0, 0.0, 1.0, 2.0, 3.0, 0.0]
    """
    start %= len(loop)
    if start + frames <= len(loop):
        return loop[start : start + frames]
    return np.tile(loop, (start + frames) // len(loop) + 1)[start : start + frames]


def band(points: int, rate: float, *, low: float, high: float, slope: float, seed: int) -> Samples:
    """Give one period of band-limited noise with RMS 1 and no DC.

    Parameters
    ----------
    points : int
        Its period.
    rate : float
        Points a second.
    low, high : float
        Edges of the band in Hz, each with a soft shoulder.
    slope : float
        dB an octave inside the band.
    seed : int

    Examples
    --------
    >>> loop = band(4096, 44_100, low=500, high=2000, slope=0.0, seed=1)
    >>> round(float(np.mean(loop.astype(float) ** 2)), 3), abs(float(loop.mean())) < 1e-6
    (1.0, True)
    """
    frequencies = np.fft.rfftfreq(points, 1.0 / rate)
    with np.errstate(divide="ignore", over="ignore"):
        shape = 1.0 / np.sqrt((1.0 + (low / frequencies) ** 6) * (1.0 + (frequencies / high) ** 6))
        shape[1:] *= (frequencies[1:] / low) ** (slope / 6.02)
    shape[0] = 0.0
    angles = np.random.default_rng(seed).uniform(0.0, 2 * np.pi, len(frequencies))
    magnitudes = np.random.default_rng(seed + 1).rayleigh(1.0, len(frequencies))
    loop = np.fft.irfft(shape * magnitudes * np.exp(1j * angles), points)
    loop /= np.sqrt(np.mean(loop**2))
    return np.asarray(loop, dtype=np.float32)
