"""The performance: what every part plays, when, and how; frozen, ready for MIDI and for sound.

A part is a sequence of *gestures*: what one movement of the hand sounds. A bow stroke is one gesture however many pulses
or slurred notes it holds; so is a pluck, a chop, a click. That is what a voice needs to know to sound
like a player: where the bow changes and where it doesn't.

Conventions
-----------
Positions are quarter notes from the first sound (the count-in, or the tuning notes before it), as Fractions;
:attr:`Performance.tempo` turns them into seconds. Levels are dB below full. Swing has been applied; human feel is kept apart
in ``offset`` and in the levels.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from underbow.fiddle.tuning import Tuning
from underbow.theory.key import Key
from underbow.theory.meter import Meter, Tempo
from underbow.theory.progression import ChordSpan
from underbow.track.ramp import TempoMap


class Manner(StrEnum):
    """How a gesture makes its sound."""

    BOW = "bow"
    CHOP = "chop"
    PLUCK = "pluck"
    CLICK = "click"
    TONE = "tone"  # sustained without a bow: drones, wind and plain-tone melodies


@dataclass(frozen=True, slots=True)
class Sounded:
    """One pitch sounding within a gesture.

    Parameters
    ----------
    start, length : Fraction
        Quarters from the start of the performance.
    midi : int
    level : float
        dB, at most 0.
    string : int or None
        Index of the string it is played on, 0 the lowest; None where it doesn't matter.
    """

    start: Fraction
    length: Fraction
    midi: int
    level: float
    string: int | None = None

    @property
    def end(self) -> Fraction:
        """Where it stops."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class Gesture:
    """What one movement of the hand sounds.

    Parameters
    ----------
    manner : Manner
    notes : tuple of Sounded
        In order of start, then of pitch. The first start is the gesture's attack; later starts within a bow stroke are
        pulses or slurred notes and bring no new attack. Two notes of one start are a double stop.
    bow : str
        ``"d"``, ``"u"`` or empty.
    offset : float
        Seconds by which a human hand is early (negative) or late.
    ornament : bool
        A grace or the like: short, light, before its main note.
    """

    manner: Manner
    notes: tuple[Sounded, ...]
    bow: str = ""
    offset: float = 0.0
    ornament: bool = False

    @property
    def start(self) -> Fraction:
        """Where it begins."""
        return self.notes[0].start

    @property
    def end(self) -> Fraction:
        """Where its last note stops."""
        return max(note.end for note in self.notes)

    @property
    def top(self) -> float:
        """Level of its loudest note, dB."""
        return max(note.level for note in self.notes)


@dataclass(frozen=True, slots=True)
class Part:
    """One player's gestures, in order of start.

    Parameters
    ----------
    name : str
        melody, backup, rhythm, click, and drone and tuning where asked for.
    program : int
        General MIDI program, 0 to 127; -1 for percussion (channel 10).
    gestures : sequence of Gesture
        A tuple, or an :class:`underbow.track.gestures.Gestures`, which makes them as it is walked: walk it rather than
        keep what it gives.
    """

    name: str
    program: int
    gestures: Sequence[Gesture]


@dataclass(frozen=True, slots=True)
class Pass:
    """Once through the tune: its number from 1, where it begins and ends, and the tempo at its beginning and its end.

    ``downbeat`` is where its first whole bar begins, after its pickup.
    """

    number: int
    start: Fraction
    downbeat: Fraction
    length: Fraction
    tempo: Tempo
    end_tempo: Tempo

    @property
    def end(self) -> Fraction:
        """Where the next one begins."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class PlayedBar:
    """A bar of a pass: where it lies, its section, and the chords heard in it (as text, ``-`` for none).

    ``number`` 0 is a pickup. ``meter`` is there where it differs from the performance's.
    """

    pass_number: int
    number: int
    start: Fraction
    length: Fraction
    section: str
    chords: tuple[str, ...]
    meter: Meter | None = None


@dataclass(frozen=True, slots=True)
class Performance:
    """Everything that is to be heard, and where in it one is.

    Parameters
    ----------
    title : str
    key, meter : Key, Meter
    tempo : TempoMap
        The one place where quarters become seconds.
    parts : tuple of Part
    count_in : Fraction
        Length of the count-in and of what is before it, quarters: the first pass begins there, its pickup inside the last
        counted bar.
    passes : tuple of Pass
    bars : sequence of PlayedBar
    chords : sequence of ChordSpan
        Over the whole performance, each as long as it is heard.
    length : Fraction
        End of the last pass, quarters; sound may ring on after it.
    tuning : Tuning
    concert_pitch : float
        Hz of A4.
    seed : int
    """

    title: str
    key: Key
    meter: Meter
    tempo: TempoMap
    parts: tuple[Part, ...]
    count_in: Fraction
    passes: tuple[Pass, ...]
    bars: Sequence[PlayedBar]
    chords: Sequence[ChordSpan]
    length: Fraction
    tuning: Tuning
    concert_pitch: float = 440.0
    seed: int = 0

    def part(self, name: str) -> Part:
        """Give the part of a name; KeyError where there is none."""
        for part in self.parts:
            if part.name == name:
                return part
        raise KeyError(name)

    def opening(self) -> Iterator[tuple[Fraction, str]]:
        """Say where what comes before the first pass begins: ``tuning notes`` and ``count-in``, where they are there."""
        for name, text in (("tuning", "tuning notes"), ("click", "count-in")):
            first = next((part.gestures[0].start for part in self.parts if part.name == name and part.gestures), None)
            if first is not None and first < self.passes[0].start:
                yield first, text
