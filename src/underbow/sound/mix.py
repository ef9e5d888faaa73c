"""Stems and levels to a stereo mix.

A mix says a level for each part in each pass. What carries the tune changes where the pass begins, its pickup included; what
accompanies changes at the pass's first whole bar. A change is a short fade that is over when the new level's first note begins.

Conventions: float32; stems are rows of shape (parts, frames), mixes have shape (frames, 2). Parts lie a little apart by the
constant-power law: left cos, right sin of an angle between 0 and 90 degrees, so that a part is as loud wherever it lies, and
adding both channels takes nothing away. Round them all is the performance's room.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import cos, pi, sin

import numpy as np
from numpy.typing import NDArray

from underbow.sound.room import in_room
from underbow.sound.voice.voices import frame_of
from underbow.track.mixes import Mix
from underbow.track.performance import Performance

__all__ = ["PLACES", "Mixer", "everything", "is_heard", "level_changes"]

#: Where the parts lie, -1 left to 1 right; what isn't named lies in the middle.
PLACES = {"melody": -0.3, "backup": 0.3, "rhythm": -0.15, "click": 0.0}
FADE_SECONDS = 0.03


def everything(parts: Sequence[str]) -> Mix:
    """Give the mix of all parts at full level.

    >>> everything(["melody", "click"]).level("click", 3)
    0.0
    """
    return Mix("everything", tuple((part, (0.0,)) for part in parts))


def is_heard(performance: Performance, mix: Mix, part: str) -> bool:
    """Say whether a part is heard in any pass of a mix."""
    return any(mix.level(part, played.number, played.playing) is not None for played in performance.passes)


def level_changes(performance: Performance, mix: Mix, part: str, rate: int) -> list[tuple[int, float]]:
    """Give the linear gains of a part: the frames from which they hold, the first at 0.

    Parameters
    ----------
    performance : Performance
    mix : Mix
    part : str
    rate : int
        Frames a second.
    """
    changes: list[tuple[int, float]] = []
    for played in performance.passes:
        level = mix.level(part, played.number, played.playing)
        gain = 0.0 if level is None else float(10 ** (level / 20))
        begins = played.start if part == "melody" else played.downbeat
        start = frame_of(performance.tempo.seconds(begins), rate)
        if not changes or changes[-1][1] != gain:
            changes.append((start if changes else 0, gain))
    return changes


@dataclass(frozen=True, slots=True)
class _Fader:
    """The gain of one part over time.

    Parameters
    ----------
    starts : int64 array, shape (changes,)
        Where each gain is reached; the first is 0.
    gains : float array, shape (changes,)
    fade : int
        Frames that a change takes, before its start.
    """

    starts: NDArray[np.int64]
    gains: NDArray[np.float64]
    fade: int

    def over(self, first_frame: int, count: int) -> float | NDArray[np.float32]:
        """Give the gain of the frames from ``first_frame`` on: one number where it holds still."""
        first = int(np.searchsorted(self.starts, first_frame, "right")) - 1
        last = int(np.searchsorted(self.starts - self.fade, first_frame + count, "left"))
        if last - first <= 1:
            return float(self.gains[first])
        out = np.full(count, self.gains[first], np.float32)
        for index in range(first + 1, last):
            start, before, gain = int(self.starts[index]), self.gains[index - 1], self.gains[index]
            out[max(start - first_frame, 0) :] = gain
            way = np.arange(max(start - self.fade, first_frame), min(start, first_frame + count))
            share = 0.5 - 0.5 * np.cos(pi * (way - (start - self.fade) + 1) / (self.fade + 1))
            out[way - first_frame] = before + (gain - before) * share
        return out


class Mixer:
    """One mix of stems.

    Parameters
    ----------
    performance : Performance
    mix : Mix
    names : sequence of str
        What the stems' rows are.
    rate : int
        Frames a second.
    dry : bool
        Whether the performance's room is left out.
    """

    def __init__(
        self, performance: Performance, mix: Mix, names: Sequence[str], rate: int, *, dry: bool = False
    ) -> None:
        self._rate, self._dry = rate, dry or performance.room == "off"
        self._faders = []
        for name in names:
            starts, gains = zip(*level_changes(performance, mix, name, rate), strict=True)
            self._faders.append(_Fader(np.array(starts), np.array(gains), round(FADE_SECONDS * rate)))
        angles = [(1 + PLACES.get(name, 0.0)) * pi / 4 for name in names]
        self._sides = [np.array([[cos(angle)], [sin(angle)]], np.float32) for angle in angles]

    def mixed(self, blocks: Iterable[NDArray[np.float32]]) -> Iterator[NDArray[np.float32]]:
        """Mix blocks of stems, from frame 0 on; each result is a new array of shape (frames, 2)."""
        dry = self._mixed_dry(blocks)
        return dry if self._dry else in_room(dry, self._rate)

    def _mixed_dry(self, blocks: Iterable[NDArray[np.float32]]) -> Iterator[NDArray[np.float32]]:
        frame = 0
        for block in blocks:
            count = block.shape[1]
            sides = np.empty((2, count), np.float32)
            once, begun = np.empty((2, count), np.float32), False
            for row, fader, shares in zip(block, self._faders, self._sides, strict=True):
                gain = fader.over(frame, count)
                if isinstance(gain, float) and gain == 0:
                    continue
                np.multiply(row, shares * np.float32(gain), out=once if begun else sides)
                if begun:
                    np.add(sides, once, out=sides)
                begun = True
            frame += count
            out = np.empty((count, 2), np.float32)
            # Column by column: many times faster than a transposed copy.
            out[:, 0], out[:, 1] = sides if begun else (0, 0)
            yield out
