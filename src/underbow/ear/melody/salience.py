"""How clearly each pitch sounds, frame by frame, and how high the fiddle is tuned.

A pitch sounds where its partials stand out and what lies halfway between them doesn't: so neither the octave below, which has
the same partials and as many empty places, nor the octave above, whose partials are only every second one, is taken for it.

Conventions: sounds are float32, mono, at :data:`~underbow.ear.spectra.RATE`; frame ``n`` is counted at ``n * hop`` samples.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from underbow.ear.spectra import RATE, Floats, frame_blocks, magnitudes

LOWEST, HIGHEST = 52, 100  # MIDI: a little below a fiddle's lowest string (some tune it down), up to its third octave
PITCHES = HIGHEST - LOWEST + 1
_PARTIALS, _SHARE = 8, 0.82  # of a partial against the one below it
_TUNED = (-50, 50)  # cents from 440 Hz in which a fiddle's A is looked for


def salience(sound: Floats, hop: int, window: int, concert_pitch: float) -> tuple[Floats, Floats]:
    """Give how clearly each pitch sounds.

    Parameters
    ----------
    sound : float32 array
    hop, window : int
        Samples.
    concert_pitch : float
        Hz of A4.

    Returns
    -------
    float32 array, shape (frames, PITCHES), float32 array, shape (frames,)
        Each from 0 to 1, 1 for the clearest of its frame; and the frame's level, dB.

    Examples
    --------
    >>> second = np.arange(RATE) / RATE
    >>> tone = sum(np.sin(2 * np.pi * 440 * k * second) / k for k in (1, 2, 3, 4)).astype(np.float32)
    >>> clear, level = salience(tone, 512, 2048, 440.0)
    >>> int(clear[20].argmax()) + LOWEST
    69
    """
    frames = len(sound) // hop + 1
    clear, level = np.zeros((frames, PITCHES), np.float32), np.zeros(frames, np.float32)
    for first, count in frame_blocks(frames, window):
        spectra = magnitudes(sound, first * hop, count, hop=hop, window=window)
        clear[first : first + count] = clearness(spectra, concert_pitch)
        level[first : first + count] = 10 * np.log10((spectra**2).sum(axis=1) / window**2 + 1e-12)
    return clear, level


def clearness(spectra: Floats, concert_pitch: float) -> Floats:
    """Give how clearly each pitch sounds in some magnitude spectra, shapes (frames, bins) and (frames, PITCHES)."""
    loudest = spectra.max(axis=1, keepdims=True) + 1e-9
    raised = np.log1p(40 * spectra / loudest) @ _templates(2 * spectra.shape[1] - 2, round(concert_pitch, 1))
    return np.asarray(np.clip(raised / np.maximum(raised.max(axis=1, keepdims=True), 1e-6), 0, 1))


@cache
def _templates(window: int, concert_pitch: float) -> Floats:
    """Weights of the bins for each pitch, shape (window // 2 + 1, PITCHES)."""
    bins = np.arange(window // 2 + 1) * RATE / window
    out = np.zeros((len(bins), PITCHES))
    for place in range(PITCHES):
        pitch = concert_pitch * 2 ** ((place + LOWEST - 69) / 12)
        for k in range(1, _PARTIALS + 1):
            weight = _SHARE ** (k - 1)
            out[:, place] += weight * _near(bins, k * pitch, window)
            out[:, place] -= 0.5 * weight * _near(bins, (k - 0.5) * pitch, window)
    return np.asarray(out, np.float32)


def _near(bins: NDArray[np.float64], hertz: float, window: int) -> NDArray[np.float64]:
    """A bell round a frequency, as wide as a quarter tone or a bin, whichever is wider; its sum is 1."""
    width = max(hertz * 0.018, RATE / window)
    bell = np.clip(1 - np.abs(bins - hertz) / (1.6 * width), 0, None) * (hertz < RATE / 2 - 500)
    return np.asarray(bell / max(float(bell.sum()), 1e-9))


def tuned_at(sound: Floats) -> tuple[float, float]:
    """Find the A that a fiddle is tuned to, from all its clear partials.

    Returns
    -------
    float, float
        Hz of A4, 427.5 to 452.9; and how well the partials agree on it, 0 to 1.

    Examples
    --------
    >>> second = np.arange(4 * RATE) / RATE
    >>> tone = sum(np.sin(2 * np.pi * 446 * k * second) / k for k in (1, 2, 3, 4)).astype(np.float32)
    >>> round(tuned_at(tone)[0])
    446
    """
    window = 8192
    histogram = np.zeros(100)
    count = len(sound) // window * 2
    for first in range(0, count, 256):
        spectra = magnitudes(sound, first * window // 2, min(256, count - first), hop=window // 2, window=window)
        low, high = int(180 * window / RATE), int(2200 * window / RATE)
        log = np.log(spectra[:, low - 1 : high + 1] + 1e-7)
        mid, left, right = log[:, 1:-1], log[:, :-2], log[:, 2:]
        peak = (mid > left) & (mid >= right) & (mid > log.max(axis=1, keepdims=True) - 3.5)
        rows, columns = np.nonzero(peak)
        a, b, c = left[rows, columns], mid[rows, columns], right[rows, columns]
        exact = columns + low + 0.5 * (a - c) / (a - 2 * b + c - 1e-9)
        cents = (1200 * np.log2(exact * RATE / window / 440)) % 100
        histogram += np.bincount(np.floor(cents).astype(int) % 100, minlength=100)
    if not histogram.any():
        return 440.0, 0.0
    turn = np.exp(2j * np.pi * (np.arange(100) + 0.5) / 100)
    mean = complex((histogram * turn).sum() / histogram.sum())
    off = float(np.angle(mean) / (2 * np.pi) * 100)
    near = (
        np.arange(100) + 0.5 - off + 50
    ) % 100 - 50  # partials lie evenly round the mean: the middle of those near it
    close = np.abs(near) < 20
    off += float((near * histogram)[close].sum() / max(histogram[close].sum(), 1))
    return float(440 * 2 ** (np.clip(off, *_TUNED) / 1200)), float(abs(mean))
