"""Magnitude spectra of a sound, block by block, and what the ear makes of them: onsets by band and chroma.

Conventions: sounds are float32, mono, at :data:`RATE`; a frame is :data:`WINDOW` samples under a Hann window and is counted at
its middle, frame ``n`` at ``n * HOP / RATE`` seconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import numpy as np
from numpy.typing import NDArray

from underbow.sound.samples import cut

Floats = NDArray[np.float32]

RATE = 22_050  # Hz: all of a fiddle that tells something lies below 11 kHz
WINDOW, HOP = 1024, 64  # 46 ms, 2.9 ms
_LOW, _HIGH, _BANDS = 170.0, 9000.0, 42  # Hz; about seven bands an octave
_AT_ONCE = 1 << 22  # samples under windows: 16 MB, and as much again for their spectra


def magnitudes(sound: Floats, first: int, count: int, *, hop: int = HOP, window: int = WINDOW) -> Floats:
    """Give the magnitude spectra of some frames.

    Parameters
    ----------
    sound : float32 array, shape (samples,)
        May be shorter than asked for on either side: what is missing is silence.
    first : int
        Middle of the first frame, in samples.
    count : int
        Frames.

    Returns
    -------
    float32 array, shape (count, window // 2 + 1)
    """
    return np.asarray(np.abs(spectra(sound, first, count, hop=hop, window=window)), np.float32)


def spectra(
    sound: Floats, first: int, count: int, *, hop: int = HOP, window: int = WINDOW
) -> NDArray[np.complexfloating]:
    """Give the spectra of some frames with their phases, as :func:`magnitudes` gives them without."""
    begin = first - window // 2
    piece = cut(sound, begin, begin + (count - 1) * hop + window)
    frames = np.lib.stride_tricks.sliding_window_view(piece, window)[::hop]
    return np.fft.rfft(frames * _hann(window), axis=1)


def frame_blocks(frames: int, window: int = WINDOW) -> Iterator[tuple[int, int]]:
    """Divide frames into pieces, the fewer at once the longer their window: the first of each and how many.

    >>> [count for _, count in frame_blocks(5000)], [count for _, count in frame_blocks(2500, 4 * WINDOW)]
    ([4096, 904], [1024, 1024, 452])
    """
    most = max(_AT_ONCE // window, 1)
    for first in range(0, frames, most):
        yield first, min(most, frames - first)


@cache
def _hann(window: int) -> Floats:
    return np.asarray(np.hanning(window + 1)[:window], np.float32)


@cache
def band_matrix(window: int = WINDOW) -> Floats:
    """Triangular bands, evenly spaced in pitch, shape (window // 2 + 1, bands); the columns sum to 1."""
    edges = np.geomspace(_LOW, _HIGH, _BANDS + 2)
    bins = np.arange(window // 2 + 1) * RATE / window
    rise = (bins[:, None] - edges[:-2]) / np.diff(edges)[:-1]
    fall = (edges[2:] - bins[:, None]) / np.diff(edges)[1:]
    weights = np.clip(np.minimum(rise, fall), 0, None)
    nearest = np.abs(bins[:, None] - edges[1:-1]).argmin(axis=0)
    weights[nearest, np.arange(_BANDS)] += (weights.sum(axis=0) == 0) * 1.0  # narrower than a bin
    return np.asarray(weights / weights.sum(axis=0), np.float32)


@cache
def chroma_matrix(window: int, concert_pitch: float) -> Floats:
    """Spread of spectral bins over the twelve pitch classes, shape (window // 2 + 1, 12); 100 Hz to 2 kHz."""
    bins = np.arange(window // 2 + 1) * RATE / window
    heard = (bins > 100) & (bins < 2000)
    semitones = 69 + 12 * np.log2(np.maximum(bins, 1) / concert_pitch)
    apart = (semitones[:, None] - np.arange(12) + 6) % 12 - 6
    return np.asarray(np.exp(-((apart / 0.6) ** 2)) * heard[:, None], np.float32)
