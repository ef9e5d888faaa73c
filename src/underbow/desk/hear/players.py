"""The players of a stream: what is still to come of a stretch, and what rings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from underbow.desk.hear.tape import Tape
from underbow.sound.recorded import RecordedMelody
from underbow.sound.stems import Plan
from underbow.sound.voice.voices import Action, Samples, Voice

__all__ = ["Floats", "Players", "Stretch"]

_FADE = 0.02  # seconds in which what sounds already comes in
Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Stretch:
    """What is played without going back: from one frame of a pass to another. A part without a plan is silent.

    A melody that is recorded comes with the place of its part.
    """

    plans: tuple[Plan | None, ...]
    begin: int
    end: int
    melody: tuple[int, RecordedMelody] | None = None

    def actions(self) -> Iterator[Action]:
        """Give what is done in it, in order of time; some of it several times."""
        coming: list[tuple[int, int, int]] = []
        for row, part in enumerate(self.plans):
            if part is not None:
                low, high = np.searchsorted(part.frames, (self.begin, self.end)).tolist()
                _, where = np.unique(part.which[low:high], return_index=True)
                coming += [(int(part.frames[low + at]), row, int(part.which[low + at])) for at in where.tolist()]
        for _, row, which in sorted(coming):
            part = self.plans[row]
            if part is not None:
                yield part.actions[which]


class Players:
    """The parts on their way: what is still to come of the stretch, and what rings."""

    def __init__(self, count: int, voice: Voice) -> None:
        self._voice, self._at = voice, 0
        self._tape: Tape | None = None
        self._tape_row = 0
        self._coming: list[list[tuple[int, np.float32, Samples | None, Plan, int]]] = [[] for _ in range(count)]
        self._rings: list[list[tuple[int, np.float32, Samples]]] = [[] for _ in range(count)]

    def enter(self, stretch: Stretch, frame: int, *, fade: bool) -> None:
        """Let the players begin a stretch at a frame of the stream; what sounds already there comes in softly."""
        if stretch.melody is not None:
            self._tape_row, melody = stretch.melody
            self._tape = self._tape or Tape(melody)
            self._tape.enter(melody, stretch.begin, frame)
        for row, part in enumerate(stretch.plans):
            coming: list[tuple[int, np.float32, Samples | None, Plan, int]] = []
            self._coming[row] = coming
            if part is None:
                continue
            for index, start in enumerate(part.frames.tolist()):
                if start >= stretch.end:
                    break
                place = start - stretch.begin + frame
                if start >= stretch.begin:
                    coming.append((place, part.gains[index], None, part, index))
                elif fade and start + part.actions[part.which[index]].frames > stretch.begin + 0.1 * self._voice.rate:
                    coming.append(
                        (frame, part.gains[index], self._rest(part, index, stretch.begin - start), part, index)
                    )

    def _rest(self, part: Plan, index: int, gone: int) -> Samples:
        """What is left of a sound that began before, faded in."""
        rest = self._sound(part, index)[gone:].copy()
        fade = min(round(_FADE * self._voice.rate), len(rest))
        rest[:fade] *= np.linspace(0, 1, fade, dtype=np.float32)
        return rest

    def _sound(self, part: Plan, index: int) -> Samples:
        samples = self._voice.sounds(part.actions[part.which[index]])
        return samples if samples.ndim == 1 else samples.mean(axis=1)

    def block(self, count: int) -> Floats:
        """Give the next frames, shape (parts, count)."""
        out = np.zeros((len(self._coming), count), np.float32)
        end = self._at + count
        for row, coming in enumerate(self._coming):
            begun = 0
            while begun < len(coming) and coming[begun][0] < end:
                place, gain, samples, part, index = coming[begun]
                self._rings[row].append((place, gain, self._sound(part, index) if samples is None else samples))
                begun += 1
            del coming[:begun]
            left = []
            for place, gain, samples in self._rings[row]:
                stop = place + len(samples)
                low, high = max(place, self._at), min(stop, end)
                if low < high:
                    out[row, low - self._at : high - self._at] += samples[low - place : high - place] * gain
                if stop > end:
                    left.append((place, gain, samples))
            self._rings[row] = left
        if self._tape is not None:
            self._tape.add(out[self._tape_row], self._at)
        self._at = end
        return out
