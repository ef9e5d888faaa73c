"""What the hands do in a stroke: how fast the bow goes, how hard it presses on each string, how long each string is.

The bow's speed makes the level, its force the colour: force is a share of the largest that Helmholtz's motion stands, which is
Schelleng's limit ``2 Z v / (beta * difference of friction)``. A stroke begins with the hair gripping: the bow presses
harder, by the accent, until the motion has found itself, so that bite and scratch are the string's own. The bow starts a
moment before the beat, as long as it takes to pull the string to its first slip. It sets off with some of its speed and
force and comes to the rest more slowly: a tone that is all there with the first slip sounds plucked.

Sources: Schelleng, The bowed string and the player, JASA 53 (1973), as given in euphonics.org, 9.3.1; that starts want
more force: Guettler, Acta Acustica 88 (2002), from memory; that a bow whose speed nears its end ever more slowly starts a
string much as one does that gains evenly: euphonics.org, 9.9.1; vibrato of 5 to 6 Hz and some 10 cents to each side,
speeds and times: common practice, no source.

Conventions: seconds, from the beat on; arrays lie on control points,
:data:`~underbow.sound.synth.bowed.strings.STEP` frames apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from underbow.sound.synth.bowed.exact import eased, hertz, noise, ratio, sine
from underbow.sound.synth.bowed.strings import BETA, DRAG, GRIP, STEP, WIRES, Wire
from underbow.sound.synth.legato import LONG, Span, between, spans
from underbow.sound.voice.voices import Action, ActionNote, Floats
from underbow.track.performance import Manner

_CENT = 0.0005777895  # of a frequency
_SHARPER = 2.0  # cents by which strings are tuned and stopped, since the bow holds on to them a little in every period
_EARLY = 0.06  # seconds, at most, that the bow starts before the beat
_BOX, _HEARD = 3, 0.3  # control points that the box is late; share of the bow's rise that goes before the beat
_PULSE, _CHANGE = 0.028, 0.012  # seconds that a pulse gives way, and that the bow takes from string to string
_FINGER = 0.005  # seconds, twice, in which a finger comes down while the bow goes on
_SWELLS = 0.6  # seconds from which a stroke swells
_FLUTTER_EVERY, _FLUTTER_LOOP = 0.045, 1 << 14
_CHOP_SECONDS, _KNOCK = 0.05, 0.004


@dataclass(frozen=True, slots=True)
class Style:
    """How a player bows. Pairs are for the softest and the hardest accent.

    Parameters
    ----------
    speed : (float, float)
        m/s.
    press : (float, float)
        Share of Schelleng's limit.
    bite : (float, float)
        By how much more the bow presses at the start, as a share.
    rise : (float, float)
        Seconds until the bow has its speed.
    surge : (float, float)
        By how much it is faster at the start, as a share.
    lead : float
        Share of its speed, and of its force, with which the bow sets off; the arm brings the rest.
    grow : float
        Seconds until all of it is there.
    turn : float
        Seconds before its end in which the bow slows down where it turns round.
    apart : float
        Seconds before its end at which it stands still then.
    vibrato : (float, float)
        Cents to each side, and Hz.
    flutter : float
        How unsteady the bow's speed is, as a share.
    """

    speed: tuple[float, float] = (0.22, 0.40)
    press: tuple[float, float] = (0.3, 0.42)
    bite: tuple[float, float] = (0.4, 0.8)
    rise: tuple[float, float] = (0.05, 0.03)
    surge: tuple[float, float] = (0.0, 0.15)
    lead: float = 0.45
    grow: float = 0.09
    turn: float = 0.06
    apart: float = 0.008
    vibrato: tuple[float, float] = (10.0, 5.5)
    flutter: float = 0.11


SOLO = Style()
BACKING = replace(SOLO, apart=0.016, rise=(0.06, 0.03), speed=(0.25, 0.35), bite=(0.4, 0.5))
STEADY = Style(
    speed=(0.2, 0.2), press=(0.28, 0.28), bite=(0.6, 0.6), rise=(0.15, 0.15), surge=(0.0, 0.0), lead=1.0, turn=0.08, apart=0.0,
    flutter=0.015,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Course:
    """What happens on one string; see :class:`Plan` for the shapes.

    Parameters
    ----------
    string : int
    force : shape (points,)
        Of the bow, in N.
    frames : shape (points,)
        The string's period.
    stopped : shape (points,)
        Whether a finger is on it.
    kept : shape (points,)
        Share of a wave that the finger, or the hand that damps, gives back.
    """

    string: int
    force: Floats
    frames: Floats
    stopped: Floats
    kept: Floats


@dataclass(frozen=True, slots=True)
class Plan:
    """A stroke as movements.

    Parameters
    ----------
    action : Action
    spans : tuple of Span
    speed : shape (points,)
        Of the bow, in m/s.
    courses : tuple of Course
        One for each string, lowest first.
    early : int
        Control points before the beat.
    knock : float
        How hard the bow knocks on the bridge, in N.
    """

    action: Action
    spans: tuple[Span, ...]
    speed: Floats
    courses: tuple[Course, ...]
    early: int
    knock: float = 0.0

    @property
    def points(self) -> int:
        """How many control points there are."""
        return len(self.speed)


class _Drawn(NamedTuple):
    """A stroke of the bow: times from the beat and from its own start, force over all strings, and how it bites."""

    action: Action
    times: Floats
    since: Floats
    weight: Floats
    bite: float


class Hand:
    """A player on one fiddle.

    Parameters
    ----------
    style : Style
    strings : tuple of int
        Open strings as MIDI numbers, lowest first.
    concert_pitch : float
        Hz of A4.
    rate, inner : int
        Frames a second, of actions and of the strings' motion.
    """

    def __init__(self, style: Style, strings: tuple[int, ...], concert_pitch: float, *, rate: int, inner: int) -> None:
        self.style, self.strings, self.concert_pitch = style, strings, concert_pitch
        self._rate, self._inner = rate, inner
        self._flutter = noise(_FLUTTER_LOOP, 9)

    def plan(self, action: Action, number: int) -> Plan:
        """Plan a stroke; ``number`` says which of many like it."""
        return self._chop(action) if action.manner is Manner.CHOP else self._stroke(action, number)

    def _stroke(self, action: Action, number: int) -> Plan:
        style, parts, length = self.style, spans(action), action.frames / self._rate
        hard = action.hardness * (0.5 if action.ornament else 1.0)
        lean = 0.0 if style is STEADY else {"d": 1.0, "u": -1.0}.get(action.bow, 0.0)
        notes = self._by_string(parts)
        full, press = between(style.speed, hard), between(style.press, hard)
        bite = between(style.bite, hard) * (1 + 0.2 * lean)
        rise = min(between(style.rise, hard) * (1 - 0.2 * lean), 0.4 * length)
        lowest = min(self._hertz(notes[string][0]) for string in notes)
        early = self._pulled(rise, between(style.surge, hard), press * (1 + bite * _heavier(lowest)) / lowest)
        ring = 0.06 if action.joined else 0.45 if self._rings_open(parts[-1]) else 0.22
        times = np.arange(-early, int((length + ring) * self._inner) // STEP + 2) * (STEP / self._inner)
        along = np.clip(times / length, 0.0, 1.0)
        speed = _set_off(times + early * STEP / self._inner, rise, between(style.surge, hard) * (1 + 0.25 * lean))
        speed *= 1.0 + 0.09 * lean * (1.0 - 2.0 * along)
        if length > _SWELLS:
            speed *= 1.0 + 0.35 * min((length - _SWELLS) / 0.8 + 0.2, 1.0) * 4 * along * (1 - along)
        level = _levels(parts, times, self._rate)
        for part in parts[1:]:
            if part.kind == "pulse":
                since = times - part.start / self._rate
                level *= 1.0 - 0.38 * np.maximum(0.0, 1.0 - ((since + 0.012) / _PULSE) ** 2)
                level *= 1.0 + 0.4 * eased(since, 0.0, 0.03) / (1.0 + (np.maximum(since, 0.0) / 0.09) ** 2)
        speed *= full * level * (1.0 + style.flutter * self._fluttered(number, len(times)))
        weight: Floats = press * full * level * eased(times, times[0] - 0.004, times[0] + 0.004)
        grown = style.lead + (1.0 - style.lead) * eased(times - times[0], 0.0, min(style.grow, 0.5 * length))
        speed *= grown
        weight *= grown
        if action.joined:
            stands = length - min(style.apart, 0.12 * length)
            turn = min(style.turn, 0.35 * length)
            speed *= 1.0 - eased(times, stands - turn, stands + 0.004)
            weight *= (1.0 - 0.5 * eased(times, stands - turn, stands)) * (
                1.0 - eased(times, length + 0.02, length + 0.045)
            )
        else:
            speed *= 1.0 - eased(times, length, length + 0.05)
            weight *= 1.0 - eased(times, length - 0.012, length + 0.02)
        since = times - times[0]
        drawn = _Drawn(action, times, since, weight, bite)
        courses = tuple(self._course(drawn, string, notes[string]) for string in sorted(notes))
        return Plan(action, parts, speed, courses, early)

    def _course(self, drawn: _Drawn, string: int, notes: Sequence[ActionNote]) -> Course:
        """Work out one string of a stroke; neighbouring notes of one pitch are one."""
        action, times, since, weight, bite = drawn
        rate, end = self._rate, action.frames
        held: list[list[ActionNote]] = []
        for note in notes:
            if held and held[-1][-1].midi == note.midi and held[-1][-1].end == note.at:
                held[-1].append(note)
            else:
                held.append([note])
        pitch, open_, bowed = (np.zeros(len(times)) for _ in range(3))
        for run in held:
            start, stop = run[0].at / rate, run[-1].end / rate
            here = times >= start if run[0].at else np.ones(len(times), bool)
            wanted = self._hertz(run[0])
            came = eased(times, start - _FINGER, start + _FINGER) if pitch.any() else 1.0 * here
            pitch += (wanted - pitch) * came
            open_[here] = float(run[0].midi <= self.strings[string])
            if self._shakes(action, run[0].midi, string, stop - start):
                cents, pace = self.style.vibrato
                later = np.maximum(times - start - 0.16, 0.0)
                swing = np.minimum(later / 0.3, 1.0) * sine(later * pace) * cents
                pitch = np.where(here, pitch * (1.0 + swing * _CENT), pitch)
            on: Floats = eased(times, start - _CHANGE, start + 0.004) if run[0].at else np.ones(len(times))
            if run[-1].end < end:
                on = on * (1.0 - eased(times, stop - 0.004, stop + _CHANGE))
            bowed = np.maximum(bowed, on)
        first = int(np.argmax(pitch > 0))
        pitch[:first] = pitch[first]
        natural = hertz(self.strings[string], self.concert_pitch)
        limit = 2 * _wire(string).impedance / (GRIP - DRAG) / (BETA * pitch / natural)
        grips = 1.0 + bite * _heavier(natural) / (1.0 + (since * pitch / 10) ** 2)
        over = times > end / rate + 0.002
        kept = np.where(over, np.where(open_ > 0, 0.997, 0.95), np.where(open_ > 0, 1.0, 0.996))
        sharp = pitch * (1.0 + _SHARPER * _CENT)
        return Course(string, limit * weight * bowed * grips, self._inner / sharp, 1.0 - open_, kept)

    def _chop(self, action: Action) -> Plan:
        """Throw the bow on damped strings: it grips them hard, scrapes a little way and lies still."""
        hard = action.hardness
        times = np.arange(-1, int(2.4 * _CHOP_SECONDS * self._inner) // STEP + 2) * (STEP / self._inner)
        speed = 0.30 * (1.0 - eased(times, 0.2 * _CHOP_SECONDS, 0.8 * _CHOP_SECONDS))
        weight = eased(times, -0.002, 0.003) * (1.0 - eased(times, 0.004, (0.8 + 0.3 * hard) * _CHOP_SECONDS))
        courses = []
        for string, notes in sorted(self._by_string(spans(action)).items()):
            frames = np.full(len(times), self._inner / self._hertz(notes[0]))
            force = (0.5 + 0.5 * hard) * _wire(string).impedance * 3.0 * weight
            damped = np.full(len(times), 0.55)
            courses.append(Course(string, force, frames, np.ones(len(times)), damped))
        return Plan(action, spans(action), speed, tuple(courses), 1, knock=0.1 + 0.1 * hard)

    def _by_string(self, parts: Sequence[Span]) -> dict[int, list[ActionNote]]:
        found: dict[int, list[ActionNote]] = {}
        for part in parts:
            for note in part.notes:
                notes = found.setdefault(self._string(note), [])
                if note not in notes:
                    notes.append(note)
        return found

    def strings_of(self, action: Action) -> set[int]:
        """Name the strings that a stroke touches."""
        return {self._string(note) for note in action.notes}

    def _string(self, note: ActionNote) -> int:
        """Say which string a note is played on: where nothing is said, the highest that has it under a finger."""
        if note.string is not None and 0 <= note.string < len(self.strings):
            return note.string
        below = [index for index, midi in enumerate(self.strings) if midi < note.midi]
        return below[-1] if below else 0

    def _hertz(self, note: ActionNote) -> float:
        return hertz(note.midi, self.concert_pitch)

    def _rings_open(self, part: Span) -> bool:
        return any(note.midi == self.strings[self._string(note)] for note in part.notes)

    def _shakes(self, action: Action, midi: int, string: int, seconds: float) -> bool:
        """Whether a note has vibrato: a long one of a melody, under a finger, alone."""
        alone = all(note.at != other.at or note is other for note in action.notes for other in action.notes)
        return action.solo and alone and midi > self.strings[string] and seconds >= LONG and self.style is not STEADY

    def _pulled(self, rise: float, surge: float, share: float) -> int:
        """Say how many control points it takes from the bow's start to the string's first slip.

        The string slips when it is pulled as far as its friction holds it: by ``GRIP`` times the force over its stiffness,
        ``2 Z / (beta * period)``; ``share`` is the force as a share of Schelleng's limit, times the period.
        """
        times = np.arange(int(_EARLY * self._inner) // STEP) * (STEP / self._inner)
        way = np.add.accumulate(_set_off(times, rise, surge)) * (STEP / self._inner)
        return (
            int(np.searchsorted(way, 1.2 * share * GRIP / (GRIP - DRAG)))
            + _BOX
            + int(_HEARD * rise * self._inner) // STEP
        )

    def _fluttered(self, number: int, points: int) -> Floats:
        """Give slow noise, -1.5 to 1.5: points drawn every 45 ms, joined smoothly."""
        place = np.arange(points) / (_FLUTTER_EVERY * self._inner / STEP)
        index = np.floor(place).astype(np.int64)
        part = place - index
        drawn = [self._flutter.take((number + index + more) % _FLUTTER_LOOP) for more in (0, 1)]
        return 1.5 * (drawn[0] + (drawn[1] - drawn[0]) * part * part * (3 - 2 * part))


def _set_off(since: Floats, rise: float, surge: float) -> Floats:
    """Give the bow's speed from its start on, 1 in the long run."""
    late = since / 0.06
    return eased(since, -0.15 * rise, rise) * (1.0 + surge / (1.0 + late + late * late))


def _levels(parts: Sequence[Span], times: Floats, rate: int) -> Floats:
    """Give the spans' levels as amplitudes, going over into each other."""
    heights = [0.02 if part.kind == "rest" else ratio(part.level) for part in parts]
    out = np.full(len(times), heights[0])
    for part, before, height in zip(parts[1:], heights, heights[1:], strict=False):
        start = part.start / rate
        out += (height - before) * eased(times, start - 0.02, start + 0.012)
    return out


def _heavier(frequency: float) -> float:
    """Say by how much more a lower string wants to be gripped: it is thicker, and its motion takes longer to find itself."""
    return min(max(440.0 / frequency, 1.0), 2.5)


def _wire(string: int) -> Wire:
    return WIRES[min(string, len(WIRES) - 1)]
