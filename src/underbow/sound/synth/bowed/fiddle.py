"""A fiddle under a player's hands: strokes in, sound out, as many side by side as there are.

Each stroke is worked out from its beginning to the end of its ring, all strings of many strokes at once. What comes out is
brought to its level over each of its notes, whatever the strings and the box have made of it, so that an accent is as strong as
it is written. Strokes that differ only in their length are worked out as one; a very long one without a change is worked out
for some seconds, and its middle goes on.

Conventions: between strings and ear all is in whole numbers; see :mod:`underbow.sound.synth.bowed.exact`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from underbow.sound.synth.bowed.exact import Convolver, Whole, eased, hertz, ratio
from underbow.sound.synth.bowed.hand import Course, Hand, Plan, Style
from underbow.sound.synth.bowed.lengths import common, cuts, shortened
from underbow.sound.synth.bowed.strings import STEP, WIRES, Strings, bridge_frames, stopped_by
from underbow.sound.synth.bowed.wood import response
from underbow.sound.synth.legato import Span, spans
from underbow.sound.synth.noise import number_of
from underbow.sound.voice.voices import REFERENCE_DB, Action, Floats, Samples
from underbow.track.performance import Manner

_INNER = 88_200  # frames a second, about, at which strings move
_SIDE_BY_SIDE, _ENOUGH = 320, 200  # strings
_STRETCH = 64  # control points for which reflections are worked out at a time
_FORCE = 1 << 17  # whole numbers for a newton
_PEAK = 32_000  # of the whole numbers that are given
_SHORTEST, _CHOP = 0.03, 0.05  # seconds over which the level of the shortest grace is taken, and that of a chop
_ROUNDED = 1.6  # of a chop's level, where its peaks are rounded off
_OVER, _START, _FADE = (
    0.015,
    0.003,
    0.012,
)  # seconds to each side in which levels go over into each other; of both ends' fades
_REFERENCE = ratio(REFERENCE_DB)
_MIDDLE, _JOIN = (0.8, 1.9), 0.5  # seconds of a long stroke that go on, and in which they go over into themselves


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
        kin: dict[Action, list[Action]] = {}
        for action in actions:
            kin.setdefault(common(action, self.rate), []).append(action)
        # Those are quickest together whose bow is as near to the bridge, if there are many; few are quickest all together.
        known = sorted(kin, key=lambda action: (-max(self._hand.strings_of(action)), -action.frames))
        batch: list[Plan] = []
        lanes, nearest = 0, -1
        for action in known:
            touched = self._hand.strings_of(action)
            if lanes + len(touched) > _SIDE_BY_SIDE or (lanes > _ENOUGH and max(touched) < nearest):
                yield from self._together(batch, kin)
                batch, lanes = [], 0
            batch.append(self._hand.plan(action, number_of(action)))
            lanes, nearest = lanes + len(touched), max(touched)
        if batch:
            yield from self._together(batch, kin)

    def _together(self, plans: list[Plan], kin: Mapping[Action, list[Action]]) -> Iterator[tuple[Action, Stroke]]:
        plans.sort(key=lambda plan: -plan.points)
        for plan, force in zip(plans, self._moved(plans), strict=True):
            heard = self._heard(plan, force)
            for action in kin[plan.action]:
                yield action, self._finished(action, plan.action, heard)

    def _moved(self, plans: Sequence[Plan]) -> list[Samples]:
        """Move the strings of strokes, the longest first; give each stroke's force on the bridge."""
        courses = [(stroke, course) for stroke, plan in enumerate(plans) for course in plan.courses]
        points, count = plans[0].points, len(courses)
        speeds, forces, spread = (np.zeros((points, count), np.float32) for _ in range(3))
        frames, kept = np.ones((points, count)), np.ones((points, count), np.float32)
        wires = [WIRES[min(course.string, len(WIRES) - 1)] for _, course in courses]
        for column, ((stroke, course), wire) in enumerate(zip(courses, wires, strict=True)):
            last = plans[stroke].points
            speeds[:last, column], forces[:last, column] = plans[stroke].speed, course.force
            frames[:last, column], frames[last:, column] = course.frames, course.frames[-1]
            spread[:last, column] = np.where(course.stopped > 0, wire.finger, wire.nut)
            kept[:last, column] = course.kept
        natural = self._open[[course.string for _, course in courses]]
        frames -= bridge_frames(natural, self._inner)
        seeds = np.array([number_of(plans[stroke].action) + 7919 * course.string for stroke, course in courses])
        strings = Strings(
            wires,
            natural,
            np.array([stroke for stroke, _ in courses]),
            seeds,
            np.array([self._weight(course) for _, course in courses]),
            longest=float(frames.max()),
            shortest=float(np.floor(frames.min())),
            rate=self._inner,
        )
        out = [np.zeros((plan.points - 1) * STEP, np.float32) for plan in plans]
        columns = np.cumsum([len(plan.courses) for plan in plans])
        live = len(plans)
        for point in range(points - 1):
            while plans[live - 1].points <= point + 1:
                live -= 1
            strings.keep(int(columns[live - 1]))
            if point % _STRETCH == 0:
                coming = slice(point, point + _STRETCH)
                delay, taps = stopped_by(frames[coming], spread[coming], kept[coming])
            here, some, now = slice(point, point + 2), slice(int(columns[live - 1])), point % _STRETCH
            pushed = strings.run(speeds[here, some], forces[here, some], delay[now, some], taps[now, :, some])
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

    def _heard(self, plan: Plan, force: Samples) -> Whole:
        """Send a stroke's force through the box: whole numbers below 2**20, from the beat on."""
        if plan.knock:
            frames = int(_CHOP * 0.1 * self._inner)
            way = np.arange(frames) / frames
            force[plan.early * STEP :][:frames] += (plan.knock * 16 * (way * (1 - way)) ** 2).astype(np.float32)
        heard = self._box(np.rint(force.astype(np.float64) * _FORCE).astype(np.int64))
        heard = heard[plan.early * STEP // (self._inner // self.rate) :]
        return np.asarray(np.rint(heard * (2.0**20 / max(int(np.abs(heard).max()), 1))), np.int64)

    def _finished(self, action: Action, made: Action, heard: Whole) -> Stroke:
        """Give a stroke its length and its level, from what was made for all of its kind."""
        rate, longer = self.rate, action.frames - made.frames
        if action.manner is Manner.CHOP:
            # Hair that grips has no peaks far above the rest: without them a chop is loud enough beside strokes.
            far = heard / (_ROUNDED * _rms(heard[: int(0.5 * _CHOP * rate)]))
            round_ = np.asarray(np.rint(heard / np.sqrt(1.0 + far * far)), np.int64)
            sound: Floats = round_ * (_REFERENCE / _rms(round_[: int(_CHOP * rate)]))
        elif longer > 0:
            sound = _gone_on(self._levelled(spans(made), heard), longer, rate)
        else:
            sound = self._levelled(spans(action), shortened(heard, cuts(made), cuts(action), rate))
        start, fade = int(_START * rate), int(_FADE * rate)
        sound[:start] *= eased(np.arange(start) / rate, -0.0005, _START)
        sound[-fade:] *= 1.0 - eased(np.arange(fade) / fade, 0.0, 1.0)
        top = max(float(sound.max()), -float(sound.min()), 1e-9)
        return Stroke(np.rint(sound * (_PEAK / top)).astype(np.int16), top / _PEAK)

    def _levelled(self, parts: Sequence[Span], heard: Whole) -> Floats:
        """Bring each span to its level."""
        rate, shortest, gains = self.rate, int(_SHORTEST * self.rate), []
        for part in parts:
            if part.kind == "rest":
                continue
            length = part.end - part.start
            found = _rms(heard[part.start : max(part.end, part.start + (shortest if len(parts) == 1 else 1))])
            wanted = _REFERENCE * ratio(part.level)
            gains.append((part.start, wanted / found if length >= shortest or len(parts) == 1 else 0.0))
        first = next((gain for _, gain in gains if gain), _REFERENCE / _rms(heard[:shortest]))
        if len(gains) == 1:
            return np.asarray(heard * first)
        out, last = np.full(len(heard), first), first
        times = np.arange(len(heard)) / rate
        for start, gain in gains[1:]:
            if gain:
                out += (gain - last) * eased(times, start / rate - _OVER, start / rate + _OVER)
                last = gain
        return np.asarray(heard * out)


def _gone_on(sound: Floats, longer: int, rate: int) -> Floats:
    """Let a sound go on for so many frames more, by its own middle, which goes over into itself."""
    begin, end, join = round(_MIDDLE[0] * rate), round(_MIDDLE[1] * rate), round(_JOIN * rate)
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
