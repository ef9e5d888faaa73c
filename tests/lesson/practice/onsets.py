"""The streams that the page sends, and where the sounds of a track begin: by its sheet, and in samples."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from underbow.lesson.practice.audio import RATE

if TYPE_CHECKING:
    from .conftest import Track

MELODY, BACKUP, RHYTHM, CLICK = range(4)


def starts(track: Track) -> list[float]:
    """When each whole bar of the track begins."""
    return [track.performance.tempo.seconds(bar.start) for bar in track.performance.bars if bar.number > 0]


def hits(stream: np.ndarray) -> np.ndarray:
    """Frames where a click begins: the first sample that is loud after silence."""
    loud = np.flatnonzero(np.abs(stream) > 0.02)
    return loud[np.flatnonzero(np.diff(loud, prepend=-RATE) > RATE // 20)]


def rises(sound: np.ndarray, near: float, reach: float) -> np.ndarray:
    """How much the sound rises at every millisecond round a place: the level of the 6 ms after it over that before it, in dB.

    In levels, since a stroke is loudest long after it began; what is 30 dB below the loudest counts as silence.
    """
    step = RATE // 1000
    begin = round((near - reach) * RATE)
    sound = np.concatenate([np.zeros(max(6 * step - begin, 0)), sound])
    places = max(begin, 6 * step) + step * np.arange(round(2000 * reach) + 1)
    floor = 1e-3 * np.max(sound**2)
    powers = [(np.mean(sound[i - 6 * step : i] ** 2), np.mean(sound[i : i + 6 * step] ** 2)) for i in places]
    return np.array([10 * np.log10((after + floor) / (before + floor)) for before, after in powers])


def late(original: np.ndarray, start: float, sent: np.ndarray, there: float) -> float | None:
    """Seconds by which an attack comes late: where its rises lie over one another best; None where none is within 12 ms.

    A bowed note rises several times while the string finds its motion: which of them is the largest says little.
    """
    before, after = rises(original, start, 0.02), rises(sent, there, 0.045)
    if before.max() <= 3 or abs(int(before.argmax()) - 20) >= 12:
        return None
    apart = ((np.lib.stride_tricks.sliding_window_view(after, len(before)) - before) ** 2).sum(axis=1)
    return (int(apart.argmin()) - 25) / 1000
