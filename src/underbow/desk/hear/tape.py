"""A recorded melody in the stream: one tape that goes on from stretch to stretch, so that there is no seam where they join."""

from __future__ import annotations

import numpy as np

from underbow.sound.recorded import RecordedMelody
from underbow.sound.samples import Floats
from underbow.sound.stretch import Stretcher

__all__ = ["Tape"]


class Tape:
    """What the recording plays, from wherever in a pass a stretch begins.

    Parameters
    ----------
    melody : RecordedMelody
        Of the first stretch. Those of the others are of the same recording.
    """

    def __init__(self, melody: RecordedMelody) -> None:
        self._stretches: list[tuple[int, int, RecordedMelody]] = []  # frame of the stream, frame of the pass
        self._stretcher = Stretcher(melody.sound, melody.rate, self._place)
        self._left, self._at = np.zeros(0, np.float32), -1  # what is made and not yet heard, and its first frame

    def enter(self, melody: RecordedMelody, begin: int, frame: int) -> None:
        """Go on with a pass from its frame ``begin`` at a frame of the stream."""
        if self._at < 0:  # before the first stretch nothing sounds
            grains = frame // self._stretcher.hop
            self._stretcher.skip(grains)
            self._at = grains * self._stretcher.hop
        self._stretches = [*self._stretches[-1:], (frame, begin, melody)]

    def _place(self, frame: float) -> tuple[float, float] | None:
        found = None
        for start, begin, melody in self._stretches:
            if start <= frame:
                found = melody.place(frame - start + begin)
        return found

    def add(self, row: Floats, frame: int) -> None:
        """Add what sounds from a frame of the stream on."""
        while self._at + len(self._left) < frame + len(row):
            self._left = np.concatenate([self._left, self._stretcher.grain()])
        if self._at < frame:
            self._left, self._at = self._left[frame - self._at :], frame
        count = min(len(row), len(self._left))
        row[:count] += self._left[:count]
        self._left, self._at = self._left[count:], self._at + count
