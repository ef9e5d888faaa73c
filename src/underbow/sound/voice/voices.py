"""What is asked of a voice: one movement of the hand in, its samples out.

The performance counts in quarter notes; a voice counts in frames. :func:`act` goes from the one to the other, once:
it gives a gesture's :class:`Action`, which is what remains of it when place and loudness are taken away. A player repeats
himself, so equal actions come back again and again: each is made once (see :class:`Remembered`) and put down wherever it is
wanted.

Conventions
-----------
Frames are counted at the voice's own rate. The first sample a voice gives is the gesture's start; release and ring are
in the samples, after the last note's end. A voice sounds an action of relative level 0 at its *reference level*
(:data:`REFERENCE_DB`), the same for every pitch, string, accent class and number of strings, so that the gain alone says
how loud a gesture is.
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from underbow.fiddle.grid import FULL_ACCENT, STEP_DB
from underbow.track.performance import Gesture, Manner

Samples = NDArray[np.float32]
Floats = NDArray[np.floating[Any]]

# dBFS: RMS over the sounding length of what is bowed or blown, over the first 0.2 s of a pluck and 0.05 s of a chop; a click's
# first sample lies 12 dB above.
REFERENCE_DB = -20.0
END_GRAIN, INNER_GRAIN = 256, 1000  # an action's length is a multiple of 1/256 s, its inner times of 1/1000 s
LEVEL_GRAIN = 4  # relative levels lie on a grid of 1/4 dB


@dataclass(frozen=True, slots=True)
class ActionNote:
    """One pitch sounding within an action.

    Parameters
    ----------
    at, frames : int
        Start, counted from the action's start, and length, in frames; ``frames`` is at least 1.
    midi : int
    level : float
        dB relative to the action's own level: 0 for its loudest note.
    string : int or None
        Index of the string, 0 the lowest; None where it doesn't matter.
    """

    at: int
    frames: int
    midi: int
    level: float = 0.0
    string: int | None = None

    @property
    def end(self) -> int:
        """The frame where it stops."""
        return self.at + self.frames


@dataclass(frozen=True, slots=True)
class Action:
    """A gesture without its place and its loudness: hashable, so that equal ones are made once.

    Parameters
    ----------
    manner : Manner
    notes : tuple of ActionNote
        In order of start, then of pitch; the first starts at 0. Two notes of one start are a double stop or a chord; a
        later start within a bow stroke is a pulse (same pitch) or a slurred note (another one), without a new attack.
    bow : str
        ``"d"``, ``"u"`` or empty.
    accent : int
        Coarse class of attack, 1 (soft, dull) to 9 (full, biting). It colours the sound; it doesn't change its level.
    joined : bool
        The next gesture of the part begins where this one ends: the bow turns round instead of being lifted.
    solo : bool
        Played as a melody (long notes may have vibrato), not as accompaniment.
    ornament : bool
        A grace or the like: short and light.
    program : int
        General MIDI program, 0 to 127; -1 for percussion.
    """

    manner: Manner
    notes: tuple[ActionNote, ...]
    bow: str = ""
    accent: int = 7
    joined: bool = False
    solo: bool = False
    ornament: bool = False
    program: int = -1

    @property
    def frames(self) -> int:
        """Where its last note stops, in frames; the samples run on for the ring."""
        return max(note.end for note in self.notes)

    @property
    def hardness(self) -> float:
        """The class of attack from 0, soft, to 1, biting."""
        return (self.accent - 1) / (FULL_ACCENT - 1)


class Voice(Protocol):
    """A way to sound actions."""

    @property
    def name(self) -> str:
        """What it is called on screens and in reports."""
        ...

    @property
    def rate(self) -> int:
        """Frames a second."""
        ...

    def sounds(self, action: Action) -> Samples:
        """Sound an action: float32, shape (frames,) or (frames, 2), the first sample its start, the ring included.

        The same action gives the same samples, bit for bit, whatever was sounded before.
        """
        ...


@runtime_checkable
class SideBySide(Protocol):
    """A voice that sounds many actions much faster together than one after the other."""

    def side_by_side(self, actions: Iterable[Action]) -> Iterator[tuple[Action, Samples]]:
        """Sound, in any order, those of some actions for which it pays."""
        ...


@runtime_checkable
class Preparing(Protocol):
    """A voice that can get ready for what it will be asked."""

    def prepare(self, actions: Iterable[Action]) -> None:
        """Get ready for some actions."""
        ...


def act(
    gesture: Gesture,
    seconds: Callable[[Fraction], float],
    rate: int,
    *,
    program: int = -1,
    solo: bool = False,
    joined: bool = False,
) -> Action:
    """Put a gesture into frames.

    What lies inside is put on a fine grid (:data:`INNER_GRAIN`, :data:`END_GRAIN`, :data:`LEVEL_GRAIN`), so that gestures
    that nobody can tell apart become equal actions.

    Parameters
    ----------
    gesture : Gesture
    seconds : callable
        From quarters to seconds: ``performance.tempo.seconds``.
    rate : int
        Frames a second.
    program : int
        The part's General MIDI program.
    solo : bool
        Whether the part is a melody.
    joined : bool
        Whether the part's next gesture begins where this one ends, or before.

    Examples
    --------
    >>> from underbow.track.performance import Sounded
    >>> stroke = Gesture(Manner.BOW, (Sounded(Fraction(4), Fraction(1), 62, -6.0, 1),), bow="d")
    >>> action = act(stroke, lambda quarters: float(quarters) / 2, 48_000)
    >>> action.accent, action.notes[0]
    (6, ActionNote(at=0, frames=24000, midi=62, level=0.0, string=1))
    """
    times = [(seconds(note.start), seconds(note.end)) for note in gesture.notes]
    return action_of(gesture, times, rate, program=program, solo=solo, joined=joined)


def action_of(
    gesture: Gesture,
    times: Sequence[tuple[float, float]],
    rate: int,
    *,
    louder: float = 0.0,
    program: int = -1,
    solo: bool = False,
    joined: bool = False,
) -> Action:
    """Put a gesture into frames, as :func:`act` does, whose notes begin and end at given times in seconds; louder by some dB."""
    gain, zero, last = gesture.top + louder, times[0][0], gesture.end
    notes = []
    for note, (start, stop) in zip(gesture.notes, times, strict=True):
        at = _grid(start - zero, INNER_GRAIN, rate)
        end = _grid(stop - zero, END_GRAIN if note.end == last else INNER_GRAIN, rate)
        level = round((note.level + louder - gain) * LEVEL_GRAIN) / LEVEL_GRAIN
        notes.append(ActionNote(at, max(end - at, 1), note.midi, level, note.string))
    return Action(
        manner=gesture.manner,
        notes=tuple(notes),
        bow=gesture.bow,
        accent=accent_of(gain),
        joined=joined,
        solo=solo,
        ornament=gesture.ornament,
        program=program,
    )


def accent_of(gain: float) -> int:
    """Give the class of attack, 1 to 9, of a level in dB.

    >>> accent_of(0.0), accent_of(-6.0), accent_of(-40.0)
    (9, 6, 1)
    """
    return min(max(FULL_ACCENT + math.floor(gain / STEP_DB + 0.5), 1), FULL_ACCENT)


def frame_of(seconds: float, rate: int) -> int:
    """Give the frame of a time: rounded, half to even, once, from the time itself and never from lengths added up.

    >>> frame_of(0.5, 44_101), frame_of(1.5, 3)
    (22050, 4)
    """
    return round(seconds * rate)


def _grid(seconds: float, grain: int, rate: int) -> int:
    """Frames of a stretch of time, put on a grid of ``1/grain`` seconds."""
    return math.floor(math.floor(seconds * grain + 0.5) * rate / grain + 0.5)


class Remembered:
    """A voice that keeps what it has sounded, the last used longest, in a bounded room.

    Safe to use from several threads: what two of them ask for at once may be made twice, and is the same.

    Parameters
    ----------
    voice : Voice
    room : int
        Bytes of samples to keep; 0 keeps nothing.
    """

    def __init__(self, voice: Voice, room: int = 64 << 20) -> None:
        self._voice = voice
        self._kept = Kept(room)
        self.made = 0  # how many actions had to be sounded, for reports

    @property
    def name(self) -> str:
        """The voice's own name."""
        return self._voice.name

    @property
    def rate(self) -> int:
        """Frames a second."""
        return self._voice.rate

    def sounds(self, action: Action) -> Samples:
        """Give the samples of an action (read-only), from memory where they are there."""
        kept = self._kept.get(action)
        if kept is not None:
            return kept
        samples = self._voice.sounds(action)
        self._keep(action, samples)
        return samples

    def prepare(self, actions: Iterable[Action]) -> None:
        """Get ready for some actions, which are sounded side by side where the voice is quicker so."""
        if isinstance(self._voice, Preparing):
            self._voice.prepare(actions)
        elif isinstance(self._voice, SideBySide):
            for action, samples in self._voice.side_by_side([a for a in actions if a not in self._kept]):
                self._keep(action, samples)

    def _keep(self, action: Action, samples: Samples) -> None:
        self.made += 1
        self._kept.keep(action, samples)


class Kept:
    """Sounds that were made, those used last, in a bounded room; safe to use from several threads.

    Parameters
    ----------
    room : int
        Bytes of samples to keep; 0 keeps nothing.

    Attributes
    ----------
    bytes : int
        Of what is kept.
    """

    def __init__(self, room: int) -> None:
        self._room, self.bytes = room, 0
        self._kept: OrderedDict[Action, Samples] = OrderedDict()
        self._lock = threading.Lock()

    def __contains__(self, action: Action) -> bool:
        return action in self._kept

    def get(self, action: Action) -> Samples | None:
        """Give the samples of an action (read-only); None where they aren't kept, or not any more."""
        with self._lock:
            kept = self._kept.get(action)
            if kept is not None:
                self._kept.move_to_end(action)
            return kept

    def keep(self, action: Action, samples: Samples) -> None:
        """Keep the samples of an action, which nobody may change any more."""
        samples.flags.writeable = False
        with self._lock:
            if action not in self._kept and samples.nbytes <= self._room:
                self._kept[action] = samples
                self.bytes += samples.nbytes
                while self.bytes > self._room:
                    self.bytes -= self._kept.popitem(last=False)[1].nbytes
