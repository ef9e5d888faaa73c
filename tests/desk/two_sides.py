"""A short tune, its sheet and recordings of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

RATE = 22_050


ABC = "X:1\nT:Two sides\nM:4/4\nL:1/4\nK:D\n|:D F A d|c A E A:|:d f e c|d A F D:|\n"


NOTES = [62, 66, 69, 74, 73, 69, 64, 69] * 2 + [74, 78, 76, 73, 74, 69, 66, 62] * 2


SHEET = """# Ada's
tune = "two.abc"
pattern = "saw"  # plain
[tempo]
ramp = "steady"
goal = 60
passes = 1
count_in = 1
"""


def played(notes: list[int], beat: float = 0.5, pitch: float = 446.0) -> np.ndarray:
    """A plain tone for each note from the first second on, with some noise."""
    return toned([(1 + at * beat, 1 + (at + 1) * beat, midi) for at, midi in enumerate(notes)], pitch)


def toned(notes: list[tuple[float, float, int]], pitch: float) -> np.ndarray:
    """A plain tone for each note, from one second to another, with some noise."""
    rng = np.random.default_rng(1)
    out = rng.normal(0, 1e-4, round((notes[-1][1] + 2) * RATE))
    for start, end, midi in notes:
        begin = round(start * RATE)
        time = np.arange(round((end - start) * RATE) + 400) / RATE
        shape = np.minimum(1, time / 0.008) * np.minimum(1, (time[-1] - time) / 0.015)
        hertz = pitch * 2 ** ((midi - 69) / 12)
        tone = sum(np.sin(2 * np.pi * hertz * k * time) / k for k in range(1, 8))
        out[begin : begin + len(time)] += 0.1 * tone * shape
    return out.astype(np.float32)


def wav(path: Path, sound: np.ndarray) -> Path:
    soundfile.write(path, sound, RATE, subtype="PCM_16")
    return path


NAME = "reels/two.toml"
