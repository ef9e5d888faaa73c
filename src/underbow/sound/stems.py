"""From a performance to stems: every part as a stream of blocks, each sound at its exact sample.

A part's plan is two short arrays and a table: where each gesture starts, how loud it is, and which action it is. Sounding it
is then adding up: a block is the sum of what starts in it and of what still rings. Nothing is kept but the plan, what rings
and what the voice remembers, so that memory doesn't grow with the length of the sound.

Conventions: float32, mono, one row a part; frame 0 is the first sound: a string to tune to, or the first click of the count-in.
What a hand plays early before frame 0 starts at 0. The order of additions is that of the gestures, so the sizes of the blocks
make no difference.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import tee, zip_longest
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from underbow.sound.recorded import RecordedMelody
from underbow.sound.room import SECONDS
from underbow.sound.voice.voices import Action, Preparing, Samples, Voice, accent_of, action_of, frame_of
from underbow.track.gestures import Gestures
from underbow.track.performance import Gesture, Part, Performance
from underbow.track.ramp import TempoMap

__all__ = ["BLOCK", "Plan", "Stems", "plan"]

_AHEAD = 600  # seconds of sound that a voice is asked to get ready for at a time
BLOCK = 81_920  # frames: threads that take turns at smaller ones spend their time waiting for each other


class _Kind(NamedTuple):
    """A gesture at quarter 0, with what a plan asks of it: its length and its notes' starts and ends in grains, its level."""

    gesture: Gesture
    length: int
    notes: tuple[tuple[int, int], ...]
    top: float

    @classmethod
    def of(cls, kind: Gesture, grain: int) -> _Kind:
        notes = tuple((int(note.start * grain), int(note.end * grain)) for note in kind.notes)
        return cls(kind, int(kind.end * grain), notes, kind.top)


@dataclass(frozen=True, slots=True)
class Plan:
    """A part in frames, in order of start.

    Parameters
    ----------
    name : str
    frames : array of integers, shape (gestures,)
        Where each gesture starts.
    gains : float32 array, shape (gestures,)
        Linear.
    which : array of integers, shape (gestures,)
        Its action's index in ``actions``.
    actions : tuple of Action
        All different.
    """

    name: str
    frames: NDArray[np.integer[Any]]
    gains: NDArray[np.float32]
    which: NDArray[np.integer[Any]]
    actions: tuple[Action, ...]


def plan(part: Part, tempo: TempoMap, rate: int) -> Plan:
    """Put a part into frames.

    Where the tempo stands still, a gesture that is played again is the same action again: it is worked out once.

    Parameters
    ----------
    part : Part
    tempo : TempoMap
    rate : int
        Frames a second.
    """
    gestures = Gestures.of(part.gestures)
    kinds = [_Kind.of(kind, gestures.grain) for kind in gestures.kinds]
    clock, count, solo = tempo.clock(gestures.grain), len(gestures), part.name == "melody"
    frames, gains, which = np.zeros(count, np.int64), np.zeros(count, np.float32), np.zeros(count, np.int32)
    actions: dict[Action, int] = {}
    known: dict[tuple[object, ...], int] = {}
    every, coming = tee(gestures.placed())
    next(coming, None)
    for at, (placed, following) in enumerate(zip_longest(every, coming)):
        kind, start = kinds[placed.kind], placed.tick
        end, gain = start + kind.length, kind.top + placed.louder
        joined = following is not None and following.tick <= end
        key = (placed.kind, accent_of(gain), joined, clock.pace(start, end))
        number = known.get(key)
        if number is None:
            times = [(clock.seconds(start + begin), clock.seconds(start + stop)) for begin, stop in kind.notes]
            action = action_of(
                kind.gesture, times, rate, louder=placed.louder, program=part.program, solo=solo, joined=joined
            )
            number = actions.setdefault(action, len(actions))
            if key[-1] is not None:
                known[key] = number
        frames[at] = max(frame_of(clock.seconds(start) + placed.offset, rate), 0)
        gains[at], which[at] = 10 ** (gain / 20), number
    order = np.argsort(frames, kind="stable")  # a hand may be early
    return Plan(part.name, _small(frames[order]), gains[order], _small(which[order]), tuple(actions))


def _small(numbers: NDArray[np.integer[Any]]) -> NDArray[np.integer[Any]]:
    """Keep whole numbers from 0 up in no more room than the largest needs."""
    return numbers.astype(np.min_scalar_type(numbers.max(initial=0)))


class Stems:
    """The parts of a performance as sound.

    Parameters
    ----------
    performance : Performance
        Where it has a recording, that is its melody.
    voice : Voice
        Wrap it in :class:`underbow.sound.voice.voices.Remembered`, or every gesture is made anew.
    parts : sequence of str, optional
        Names of the parts wanted, in this order; all of them otherwise.

    Attributes
    ----------
    names : tuple of str
    rate : int
    frames : int
        Length of every stem: to the performance's end, or as long as its last sounds ring in the room.
    """

    def __init__(self, performance: Performance, voice: Voice, parts: Sequence[str] | None = None) -> None:
        chosen = performance.parts if parts is None else [performance.part(name) for name in parts]
        self.names = tuple(part.name for part in chosen)
        self.rate = voice.rate
        self._voice = voice
        recorded = performance.recorded is not None and "melody" in self.names
        self._recorded = RecordedMelody(performance, voice.rate) if recorded else None
        self._plans = [
            _nothing(part) if recorded and part.name == "melody" else plan(part, performance.tempo, voice.rate)
            for part in chosen
        ]
        end = frame_of(performance.tempo.seconds(performance.length), voice.rate)
        after = 0 if performance.room == "off" else frame_of(SECONDS, voice.rate)  # until the room is still
        self.frames = max([end, *(self._rung_out(one) + after for one in self._plans)])
        if self._recorded is not None:
            self.frames = max(self.frames, self._recorded.frames + after)

    def _rung_out(self, one: Plan) -> int:
        """Give the frame where a part's last sound is over: one of those that stop last rings longest."""
        lengths = np.array([action.frames for action in one.actions], np.int64)
        ends = one.frames.astype(np.int64) + lengths[one.which] if len(one.frames) else np.zeros(0, np.int64)
        last = np.flatnonzero(ends > ends.max(initial=0) - self.rate)
        return max((int(one.frames[i]) + len(self._sound(one, i)) for i in last.tolist()), default=0)

    def _prepare(self, start: int, end: int) -> None:
        """Let the voice get ready for what begins between two frames."""
        if isinstance(self._voice, Preparing):
            wanted: dict[Action, None] = {}
            for one in self._plans:
                first, last = np.searchsorted(one.frames, (start, end)).tolist()
                wanted |= {one.actions[which]: None for which in np.unique(one.which[first:last]).tolist()}
            self._voice.prepare(wanted)

    def _sound(self, one: Plan, index: int) -> Samples:
        samples = self._voice.sounds(one.actions[one.which[index]])
        return samples if samples.ndim == 1 else samples.mean(axis=1)

    def blocks(self, size: int = BLOCK) -> Iterator[NDArray[np.float32]]:
        """Give the stems from the start, in blocks of shape (parts, frames), each a new array; the last may be shorter."""
        players: list[_Player | _TapePlayer] = [
            _TapePlayer(self._recorded)
            if self._recorded is not None and one.name == "melody"
            else _Player(one, self._sound)
            for one in self._plans
        ]
        ready = 0
        for at in range(0, self.frames, size):
            while ready < min(at + size, self.frames):
                self._prepare(ready, ready := ready + _AHEAD * self.rate)
            block = np.zeros((len(players), min(size, self.frames - at)), np.float32)
            for player, row in zip(players, block, strict=True):
                player.fill(row, at)
            yield block


def _nothing(part: Part) -> Plan:
    """The plan of a part that no voice sounds."""
    return Plan(part.name, np.zeros(0, np.int64), np.zeros(0, np.float32), np.zeros(0, np.int32), ())


class _TapePlayer:
    """A recorded melody on its way through the blocks."""

    def __init__(self, melody: RecordedMelody) -> None:
        self._pieces, self._left = melody.blocks(), np.zeros(0, np.float32)

    def fill(self, row: NDArray[np.float32], _at: int) -> None:
        """Add to ``row`` what comes next."""
        done = 0
        while done < len(row):
            if not len(self._left):
                self._left = next(self._pieces)
            count = min(len(self._left), len(row) - done)
            row[done : done + count] += self._left[:count]
            self._left, done = self._left[count:], done + count


class _Player:
    """One part on its way through the blocks."""

    def __init__(self, one: Plan, sound: Callable[[Plan, int], Samples]) -> None:
        self._plan, self._sound = one, sound
        self._next = 0
        self._ringing: list[tuple[int, np.float32, Samples]] = []

    def fill(self, row: NDArray[np.float32], at: int) -> None:
        """Add to ``row``, which begins at frame ``at``, what sounds there."""
        one, end = self._plan, at + len(row)
        upto = int(np.searchsorted(one.frames, end))
        for index in range(self._next, upto):
            self._ringing.append((int(one.frames[index]), one.gains[index], self._sound(one, index)))
        self._next = upto
        left = []
        for start, gain, samples in self._ringing:
            stop = start + len(samples)
            low, high = max(start, at), min(stop, end)
            row[low - at : high - at] += samples[low - start : high - start] * gain
            if stop > end:
                left.append((start, gain, samples))
        self._ringing = left
