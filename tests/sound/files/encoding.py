"""A little music to encode, every kind of file, and ffprobe's look into one."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

RATE = 44_100
KINDS = [("wav", 16), ("wav", 24), ("wav", "float"), ("flac", 16), ("flac", 24), ("ogg", 16), ("mp3", 16)]


def music(seconds: float = 3.0, seed: int = 0) -> np.ndarray:
    """Two tones, a little noise, half a second of silence at both ends."""
    time_ = np.arange(round(seconds * RATE)) / RATE
    sound = np.stack([np.sin(2 * np.pi * 196 * time_), np.sin(2 * np.pi * 293.66 * time_)], axis=1) * 0.3
    sound += np.random.default_rng(seed).standard_normal(sound.shape) * 1e-3
    sound[: RATE // 2] = 0
    sound[-(RATE // 2) :] = 0
    return sound.astype(np.float32)


def cut(sound: np.ndarray, size: int = 10_000) -> Iterator[np.ndarray]:
    return (sound[start : start + size] for start in range(0, len(sound), size))


def probe(program: Callable[[str], str], path: Path) -> dict[str, Any]:
    found = subprocess.run(
        [program("ffprobe"), "-v", "error", "-of", "json", "-show_format", "-show_streams", str(path)],
        capture_output=True,
        check=True,
    )
    assert found.stderr == b""
    return dict(json.loads(found.stdout))
