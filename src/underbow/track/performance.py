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
from fractions import Fraction

from underbow.fiddle.tuning import Tuning
from underbow.theory.key import Key
from underbow.theory.meter import Meter, Tempo
from underbow.theory.progression import ChordSpan
from underbow.track.instruments import Manner
from underbow.track.ramp import TempoMap
from underbow.track.recorded import Recorded
from underbow.track.timeline import PlayedBar, Timeline

__all__ = ["Gesture", "Manner", "Part", "Pass", "Performance", "Sounded"]


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
    """Once through the tune: where it begins and ends, and the tempo at its beginning and its end.

    ``number`` counts the tempos from 1, ``round`` the times that the tune is played at that tempo, ``playing`` the times in all.
    ``downbeat`` is where its first whole bar begins, after its pickup.
    """

    number: int
    round: int
    playing: int
    start: Fraction
    downbeat: Fraction
    length: Fraction
    tempo: Tempo
    end_tempo: Tempo

    @property
    def end(self) -> Fraction:
        """Where it ends."""
        return self.start + self.length

    @property
    def title(self) -> str:
        """What labels and markers call it: its number and tempo, and its round where it is not the first."""
        return f"pass {self.number}{f', round {self.round}' if self.round > 1 else ''}, {self.tempo}"


@dataclass(frozen=True, slots=True)
class Performance:
    """Everything that is to be heard, and where in it one is.

    Parameters
    ----------
    title : str
    key, meter : Key, Meter
    parts : tuple of Part
    passes : tuple of Pass
    timeline : Timeline
        Where its bars and chords lie, and when.
    tuning : Tuning
    concert_pitch : float
        Hz of A4.
    room : str
        ``"small"`` or ``"off"``: the room round the players.
    seed : int
    recorded : Recorded or None
        Somebody's playing, which sounds in place of the melody's gestures; those remain what is written.
    """

    title: str
    key: Key
    meter: Meter
    parts: tuple[Part, ...]
    passes: tuple[Pass, ...]
    timeline: Timeline
    tuning: Tuning
    concert_pitch: float = 440.0
    room: str = "off"
    seed: int = 0
    recorded: Recorded | None = None

    @property
    def tempo(self) -> TempoMap:
        """The one place where quarters become seconds."""
        return self.timeline.tempo

    @property
    def count_in(self) -> Fraction:
        """Length of the count-in and of what is before it: the first pass begins there, its pickup in the last counted bar."""
        return self.timeline.count_in

    @property
    def bars(self) -> Sequence[PlayedBar]:
        """The bars of all passes, pickups among them."""
        return self.timeline.bars

    @property
    def chords(self) -> Sequence[ChordSpan]:
        """The chords of the whole performance, each as long as it is heard."""
        return self.timeline.chords

    @property
    def length(self) -> Fraction:
        """End of the last pass, quarters; sound may ring on after it."""
        return self.timeline.end

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
