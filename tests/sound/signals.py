"""Sounds to measure."""

from __future__ import annotations

import numpy as np


def phrase(rate: int, seconds: int, seed: int = 0) -> np.ndarray:
    """Something like music: decaying notes of many partials, two channels that differ, a little noise."""
    random = np.random.default_rng(seed)
    time = np.arange(rate // 2) / rate
    sound = random.standard_normal((rate * seconds, 2)) * 1e-3
    for _ in range(seconds * 4):
        start = random.integers(0, len(sound) - len(time))
        hertz = 196 * 2 ** (random.integers(0, 30) / 12)
        partials = [np.sin(2 * np.pi * hertz * k * time) / k for k in range(1, 12) if hertz * k < rate / 2]
        wave = np.exp(-8 * time) * np.sum(partials, axis=0)
        sound[start : start + len(time)] += wave[:, None] * random.uniform(0.05, 0.2, 2)
    return sound.astype(np.float32)
