"""A long take needs no more memory than a short one."""

from __future__ import annotations

import tracemalloc

import numpy as np

from underbow.ear.place import chroma
from underbow.ear.spectra import RATE


def test_a_long_sound_needs_no_more_than_a_short_one() -> None:
    noise = np.random.default_rng(1).normal(0, 0.1, 150 * RATE).astype(np.float32)
    short, long = _needed(noise), _needed(np.tile(noise, 4))
    assert long < 1.05 * short


def _needed(sound: np.ndarray[tuple[int], np.dtype[np.float32]]) -> int:
    tracemalloc.start()
    try:
        chroma(sound, 440.0)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
