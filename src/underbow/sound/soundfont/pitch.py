"""Bring a recorded tone to its pitch.

The keys of a bank are recordings, some cents off, differently from key to key, and they waver: a violin's may begin 30 cents
flat and swing by 15. Whoever plays along tunes to what he hears, so a tone's pitch is followed from end to end, and
the tone is read faster where it is flat and slower where it is sharp.

Following: the lowest partials are looked at through a window of some whole periods, in which none disturbs another; how far
the phase of each has turned from one look to the next says how far it is off (the phase vocoder, Flanagan and Golden 1966).

Conventions: float32, mono; frequencies in Hz.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from underbow.sound.voice.voices import Samples

__all__ = ["Pitch", "follow", "in_tune", "read_at"]

Pitch = tuple[NDArray[np.floating[Any]], NDArray[np.floating[Any]]]

_PERIODS, _HOP = 6, 0.008  # of the tone in one look; seconds from one look to the next
_PARTIALS = 5  # followed together, the stronger the more
_SMOOTH, _STRETCH = 3, 32  # looks
_FURTHEST = 90.0  # cents: what is further off is no pitch
_FAINT = 0.05  # of its usual strength: there the partial says nothing
_SETTLED = 0.3  # seconds of a struck tone over which its pitch is taken
_HALF, _FRACTIONS = 8, 512  # taps on each side, and fractions of a sample, of the reading


def follow(samples: Samples, rate: int, hertz: float) -> Pitch | None:
    """Follow the pitch of a tone.

    Parameters
    ----------
    samples : shape (frames,)
    rate : int
    hertz : float
        Where it lies, within a semitone.

    Returns
    -------
    frames, pitch : shape (looks,) each, or None
        None where the tone is too short or has no pitch.

    Examples
    --------
    >>> tone = np.sin(2 * np.pi * 443.0 / 48_000 * np.arange(48_000)).astype(np.float32)
    >>> frames, pitch = follow(tone, 48_000, 440.0)
    >>> round(float(pitch.min()), 1), round(float(pitch.max()), 1)
    (443.0, 443.0)
    """
    width, hop = round(_PERIODS * rate / hertz), max(round(_HOP * rate), 1)
    if len(samples) < width + hop * (_SMOOTH + 1):
        return None
    numbers = np.arange(1, _PARTIALS + 1)
    turns = np.outer(np.arange(width), numbers * (hertz / rate))
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(width) + 0.5) / width)
    seen = _looks(samples, hop, (window[:, None] * np.exp(-2j * np.pi * turns)).astype(np.complex64))
    # How far a partial turns from one look to the next, beyond what it would turn at the pitch given.
    step = seen[1:] * np.conj(seen[:-1]) * np.exp(-2j * np.pi * numbers * (hertz * hop / rate))
    strength = np.abs(step)
    power, turning = strength.sum(axis=1), (strength * np.angle(step) / numbers).sum(axis=1)
    if not np.any(power):
        return None
    pitch = hertz + turning / np.maximum(power, 1e-30) * rate / (2 * np.pi * hop)
    usual = np.median(power[: round(1 / _HOP)])
    heard = (power > _FAINT**2 * usual) & (np.abs(1200 * np.log2(np.maximum(pitch, 1.0) / hertz)) < _FURTHEST)
    if heard.sum() < _SMOOTH:
        return None
    frames = (np.arange(len(pitch)) + 0.5) * hop + width / 2
    pitch = np.interp(frames, frames[heard], pitch[heard])
    near = np.pad(pitch, _SMOOTH // 2, mode="edge")
    return frames, np.convolve(near, np.full(_SMOOTH, 1 / _SMOOTH), "valid")


def _looks(samples: Samples, hop: int, waves: NDArray[np.complex64]) -> NDArray[np.complex64]:
    """Look at a tone through windowed waves, shape (width, partials), every ``hop`` frames: shape (looks, partials).

    A stretch of one size at a time, so that a look doesn't change its last bit with the length of what follows.
    """
    width = len(waves)
    count = (len(samples) - width) // hop + 1
    padded = np.pad(samples, (0, _STRETCH * hop))
    real, imaginary = np.ascontiguousarray(waves.real), np.ascontiguousarray(waves.imag)
    seen = np.empty((count + _STRETCH, waves.shape[1]), np.complex64)
    for frame in range(0, count, _STRETCH):
        here = padded[frame * hop : (frame + _STRETCH - 1) * hop + width]
        looks = np.ascontiguousarray(np.lib.stride_tricks.sliding_window_view(here, width)[::hop])
        seen.real[frame : frame + _STRETCH], seen.imag[frame : frame + _STRETCH] = looks @ real, looks @ imaginary
    return seen[:count]


def in_tune(samples: Samples, rate: int, pitch: Pitch, wanted: float, *, still: bool) -> Samples:
    """Give a tone at a wanted pitch, about as long as it was.

    Parameters
    ----------
    samples : shape (frames,)
    rate : int
    pitch : Pitch
        Its own, from :func:`follow`.
    wanted : float
    still : bool
        True takes every wavering away, as for a held tone; False only what a struck one is off on the whole.

    Examples
    --------
    >>> time = np.arange(48_000) / 48_000
    >>> wavering = np.sin(2 * np.pi * (443.0 * time + 0.3 * np.sin(2 * np.pi * 5 * time))).astype(np.float32)
    >>> tone = in_tune(wavering, 48_000, follow(wavering, 48_000, 440.0), 440.0, still=True)
    >>> _, pitch = follow(tone, 48_000, 440.0)
    >>> bool(np.abs(1200 * np.log2(pitch[3:-3] / 440.0)).max() < 2)
    True
    """
    frames, found = pitch
    if not still:
        early = found[: max(int(np.searchsorted(frames, _SETTLED * rate)), 1)]
        found = np.full(len(found), np.median(early))
    time = np.arange(len(samples))
    run = np.cumsum(np.interp(time, frames, found) / wanted)
    return read_at(samples, np.interp(np.arange(int(run[-1])), run, time))


def read_at(samples: Samples, places: NDArray[np.floating[Any]]) -> Samples:
    """Read samples at places between them; before the first and after the last there is silence.

    >>> wave = np.sin(np.arange(400) / 3).astype(np.float32)
    >>> places = np.linspace(20, 380, 999)
    >>> bool(np.abs(read_at(wave, places) - np.sin(places / 3)).max() < 1e-3)
    True
    """
    first = np.floor(places).astype(np.int64)
    row = np.rint((places - first) * _FRACTIONS).astype(np.int64)
    padded = np.pad(samples, _HALF)
    out = np.zeros(len(places), np.float32)
    for tap, weights in enumerate(_kernel()):
        out += padded.take(first + tap + 1, mode="clip") * weights.take(row)
    return out


@cache
def _kernel() -> Samples:
    """Give a windowed sine over its argument for each fraction of a sample: shape (taps, fractions + 1)."""
    distance = np.arange(1 - _HALF, _HALF + 1)[:, None] - np.arange(_FRACTIONS + 1) / _FRACTIONS
    weights = np.sinc(distance) * np.cos(np.pi * distance / (2 * _HALF + 1)) ** 2
    return np.asarray(weights / weights.sum(axis=0), np.float32)
