"""A fiddle under a player's hands: strokes in, sound out, as many side by side as there are.

Each stroke is worked out from its beginning to the end of its ring, all strings of many strokes at once. What comes out is
brought to its level over each of its notes, whatever the strings and the box have made of it, so that an accent is as strong as
it is written. A very long stroke without a change is worked out for some seconds, and its middle goes on.

Conventions: between strings and ear all is in whole numbers; see :mod:`underbow.sound.synth.bowed.exact`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from underbow.sound.synth.bowed.exact import Convolver, Whole, eased, hertz, ratio
from underbow.sound.synth.bowed.hand import Course, Hand, Plan, Style
from underbow.sound.synth.bowed.strings import STEP, WIRES, Strings, bridge_frames, stopped_by
from underbow.sound.synth.bowed.wood import response
from underbow.sound.synth.noise import number_of
from underbow.sound.voice.voices import REFERENCE_DB, Action, Floats, Samples
from underbow.track.performance import Manner

_INNER = 88_200  # frames a second, about, at which strings move
_SIDE_BY_SIDE, _ENOUGH = 320, 200  # strings
_FORCE = 1 << 17  # whole numbers for a newton
_PEAK = 32_000  # of the whole numbers that are given
_SHORTEST, _CHOP = 0.03, 0.05  # seconds over which the level of the shortest grace is taken, and that of a chop
_OVER, _FADE = 0.015, 0.012  # seconds to each side in which levels go over into each other; the ending's fade
_REFERENCE = ratio(REFERENCE_DB)
_LONGEST, _JOIN = 6, 1  # seconds of a stroke that are worked out, and in which its middle goes over into itself


class Stroke(NamedTuple):
    """A stroke's sound: 16-bit whole numbers, and what one of them is as an amplitude."""

    whole: NDArray[np.int16]
    unit: float

    def samples(self) -> Samples:
        """Give it as float32, shape (frames,)."""
        return np.asarray(self.whole.astype(np.float32) * np.float32(self.unit))


class Fiddle:
    """One fiddle in one player's hands.

    Parameters
    ----------
    style : Style
    strings : tuple of int
        Open strings as MIDI numbers, lowest first.
    number : int
        Which fiddle; see :mod:`underbow.sound.synth.bowed.wood`.
    rate : int
        Frames a second.
    concert_pitch : float
        Hz of A4.
    """

    def __init__(
        self, style: Style, strings: tuple[int, ...], number: int, rate: int, concert_pitch: float = 440.0
    ) -> None:
        self.rate = rate
        self._inner = rate * max(round(_INNER / rate), 1)
        self._hand = Hand(style, strings, concert_pitch, rate=rate, inner=self._inner)
        self._open = np.array([hertz(midi, concert_pitch) for midi in strings])
        taps = response(rate, self._inner, number)
        self._box = Convolver(taps, self._inner // rate)
        self._grid = np.fft.rfftfreq(1 << 15, 1 / self._inner)
        gain = np.abs(np.fft.rfft(taps, 1 << 15))
        self._gain = np.maximum(gain, 0.1 * np.median(gain[:4000])) / np.median(gain[:4000])

    def many(self, actions: Iterable[Action]) -> Iterator[tuple[Action, Stroke]]:
        """Sound strokes, in any order.

        A stroke gives the same samples alone and beside others: no sum goes over strokes.
        """
        # Those are quickest together whose bow is as near to the bridge, if there are many; few are quickest all together.
        known = sorted(actions, key=lambda action: (-max(self._hand.strings_of(action)), -action.frames))
        batch: list[tuple[Action, Plan]] = []
        lanes, nearest = 0, -1
        for action in known:
            touched = self._hand.strings_of(action)
            if lanes + len(touched) > _SIDE_BY_SIDE or (lanes > _ENOUGH and max(touched) < nearest):
                yield from self._together(batch)
                batch, lanes = [], 0
            batch.append((action, self._plan(action)))
            lanes, nearest = lanes + len(touched), max(touched)
        if batch:
            yield from self._together(batch)

    def _plan(self, action: Action) -> Plan:
        longest = _LONGEST * self.rate
        if action.frames > longest and all(note.at == 0 and note.end == action.frames for note in action.notes):
            action = replace(action, notes=tuple(replace(note, frames=longest) for note in action.notes))
        return self._hand.plan(action, number_of(action))

    def _together(self, batch: list[tuple[Action, Plan]]) -> Iterator[tuple[Action, Stroke]]:
        batch.sort(key=lambda one: -one[1].points)
        for (action, plan), force in zip(batch, self._moved([plan for _, plan in batch]), strict=True):
            yield action, self._heard(plan, force, action.frames - plan.action.frames)

    def _moved(self, plans: Sequence[Plan]) -> list[Samples]:
        """Move the strings of strokes, the longest first; give each stroke's force on the bridge."""
        courses = [(stroke, course) for stroke, plan in enumerate(plans) for course in plan.courses]
        points, count = plans[0].points, len(courses)
        speed, force, spread = (np.zeros((points, count)) for _ in range(3))
        frames, kept = np.ones((points, count)), np.ones((points, count))
        wires = [WIRES[min(course.string, len(WIRES) - 1)] for _, course in courses]
        for column, ((stroke, course), wire) in enumerate(zip(courses, wires, strict=True)):
            last = plans[stroke].points
            speed[:last, column], force[:last, column] = plans[stroke].speed, course.force
            frames[:last, column], frames[last:, column] = course.frames, course.frames[-1]
            spread[:last, column] = np.where(course.stopped > 0, wire.finger, wire.nut)
            kept[:last, column] = course.kept
        natural = self._open[[course.string for _, course in courses]]
        frames -= bridge_frames(natural, self._inner)
        delay, taps = stopped_by(frames, spread, kept)
        seeds = np.array([number_of(plans[stroke].action) + 7919 * course.string for stroke, course in courses])
        strings = Strings(
            wires,
            natural,
            np.array([stroke for stroke, _ in courses]),
            seeds,
            np.array([self._weight(course) for _, course in courses]),
            longest=float(frames.max()),
            shortest=float(delay.min()) + 2,
            rate=self._inner,
        )
        speeds, forces = speed.astype(np.float32), force.astype(np.float32)
        out = [np.zeros((plan.points - 1) * STEP, np.float32) for plan in plans]
        columns = np.cumsum([len(plan.courses) for plan in plans])
        live = len(plans)
        for point in range(points - 1):
            while plans[live - 1].points <= point + 1:
                live -= 1
            strings.keep(int(columns[live - 1]))
            here, some = slice(point, point + 2), slice(int(columns[live - 1]))
            pushed = strings.run(speeds[here, some], forces[here, some], delay[point, some], taps[point, :, some])
            for stroke, push in zip(range(live), pushed.T, strict=True):
                out[stroke][point * STEP : (point + 1) * STEP] = push
        return out

    def _weight(self, course: Course) -> float:
        """Give how much of a string is heard, so that the player's notes are as strong as each other whatever the box does.

        A string's force is a sawtooth, its partials as one over their number. Rounded to steps far coarser than a machine errs.
        """
        partials = np.arange(1, 13) * (self._inner / float(course.frames[0]))
        power = float(((self._gain_at(partials) / np.arange(1, 13)) ** 2).sum())
        return float(round(64 / power**0.5) / 64)

    def _gain_at(self, frequencies: Floats) -> Floats:
        return np.asarray(np.interp(frequencies, self._grid, self._gain))

    def _heard(self, plan: Plan, force: Samples, longer: int) -> Stroke:
        """Send a stroke's force through the box, bring it to its level, and let its middle go on for so many frames more."""
        every, rate = self._inner // self.rate, self.rate
        if plan.knock:
            frames = int(_CHOP * 0.1 * self._inner)
            way = np.arange(frames) / frames
            force[plan.early * STEP :][:frames] += (plan.knock * 16 * (way * (1 - way)) ** 2).astype(np.float32)
        heard = self._box(np.rint(force.astype(np.float64) * _FORCE).astype(np.int64))[plan.early * STEP // every :]
        heard = np.rint(heard * (2.0**20 / max(int(np.abs(heard).max()), 1))).astype(np.int64)
        sound: Floats = heard * self._gains(plan, heard)
        if longer:
            sound = _gone_on(sound, longer, self.rate)
        sound *= eased(np.arange(len(sound)) / rate, -0.0005, 0.003)
        fade = int(_FADE * rate)
        sound[-fade:] *= 1.0 - eased(np.arange(fade) / fade, 0.0, 1.0)
        top = max(float(np.abs(sound).max()), 1e-9)
        return Stroke(np.rint(sound * (_PEAK / top)).astype(np.int16), top / _PEAK)

    def _gains(self, plan: Plan, heard: Whole) -> Floats:
        """Give the gain over time that brings each span to its level."""
        rate, action = self.rate, plan.action
        if action.manner is Manner.CHOP:
            return np.full(len(heard), _REFERENCE / _rms(heard[: int(_CHOP * rate)]))
        shortest, gains = int(_SHORTEST * rate), []
        for part in plan.spans:
            if part.kind == "rest":
                continue
            length = part.end - part.start
            found = _rms(heard[part.start : max(part.end, part.start + (shortest if len(plan.spans) == 1 else 1))])
            wanted = _REFERENCE * ratio(part.level)
            gains.append((part.start, wanted / found if length >= shortest or len(plan.spans) == 1 else 0.0))
        first = next((gain for _, gain in gains if gain), _REFERENCE / _rms(heard[:shortest]))
        out, last = np.full(len(heard), first), first
        times = np.arange(len(heard)) / rate
        for start, gain in gains[1:]:
            if gain:
                out += (gain - last) * eased(times, start / rate - _OVER, start / rate + _OVER)
                last = gain
        return out


def _gone_on(sound: Floats, longer: int, rate: int) -> Floats:
    """Let a sound go on for so many frames more, by its own middle, which goes over into itself."""
    begin, end, join = rate, (_LONGEST - 1) * rate, _JOIN * rate
    body, more = sound[:end], sound[begin:end]
    while len(body) < end + longer:
        way = eased(np.arange(join) / join, 0.0, 1.0)
        crossed = body[-join:] * (1.0 - way * way) ** 0.5 + more[:join] * way
        body = np.concatenate((body[:-join], crossed, more[join:]))
    way = eased(np.arange(join) / join, 0.0, 1.0)
    body = body[: end + longer]
    crossed = body[-join:] * (1.0 - way * way) ** 0.5 + sound[end - join : end] * way
    return np.concatenate((body[:-join], crossed, sound[end:]))


def _rms(samples: Whole) -> float:
    """Give the root of the mean square, exact but for the root."""
    return float(max(int((samples * samples).sum()) / max(len(samples), 1), 1e-6) ** 0.5)
