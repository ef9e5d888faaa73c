"""The fingerboard: where a finger comes down, and the hand shapes that fingers on neighbouring strings make.

Conventions
-----------
A *stop* is counted in semitones above its open string, whatever that string is tuned to. A finger belongs to a letter name:
in first position the first finger plays the second above the open string, the second the third, and so on;
*low* and *high* say which of the two notes of that letter is meant. So a fifth-tuned fiddle in first position has

    0 open, 1 low 1st, 2 1st, 3 low 2nd, 4 2nd, 5 3rd, 6 high 3rd or low 4th, 7 4th

as beginners' fingering charts show (fisherviolins.com first-position chart: G-string 4th finger D, D-string 4th finger A).
In *third position* the hand has moved up by two letters, in *half position* (written ``½``) it lies a semitone back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord
from underbow.theory.pitch import Pitch, spelled

Mark = Literal["", "L", "H"]
HIGHEST_POSITION = 3
FIRST_POSITION = 7  # semitones from the open string to the fourth finger
TAPES = (2, 4, 5, 7)  # where learners' tapes usually are: first finger, second, third and fourth (common practice)

# Letter steps above the open string -> the notes of that letter, with the mark that tells them apart.
_STEPS: dict[int, dict[int, Mark]] = {
    1: {1: "L", 2: ""},
    2: {3: "L", 4: ""},
    3: {5: "", 6: "H"},
    4: {6: "L", 7: ""},
    5: {8: "L", 9: ""},
    6: {10: "L", 11: ""},
}
_POSITIONS = {0: "½", 1: "", 2: "II", 3: "III"}
# Degrees of notes that are not in the chord (open strings droned through it).
_FOREIGN = ("1", "b2", "2", "b3", "3", "4", "b5", "5", "b6", "6", "b7", "7")


@dataclass(frozen=True, slots=True)
class Stop:
    """A finger on a string, or the open string.

    Parameters
    ----------
    semitones : int
        Above the open string, 0 to 11.
    finger : int
        0 open, 1 to 4.
    mark : str
        ``"L"`` low, ``"H"`` high, empty for the finger's usual place.

    >>> str(Stop(3, 2, "L")), str(Stop(0, 0))
    ('L2', '0')
    """

    semitones: int
    finger: int
    mark: Mark = ""

    def __post_init__(self) -> None:
        if not 0 <= self.finger <= 4:
            raise ValueError(f"finger must be from 0 to 4, not {self.finger}")
        if (self.finger == 0) != (self.semitones == 0):
            raise ValueError(f"finger {self.finger} can't be at {self.semitones} semitones: only 0 is open")

    def __str__(self) -> str:
        return f"{self.mark}{self.finger}"


@dataclass(frozen=True, slots=True)
class HandShape:
    """The fingers that stop a chord on neighbouring strings.

    Parameters
    ----------
    strings : tuple of int
        Indices of the strings bowed, 0 the lowest, neighbours, lowest first.
    stops : tuple of Stop
        One for each string.
    tuning : Tuning
    position : int
        1 first position, 2 and 3 above it, 0 half position.

    >>> shape = HandShape((0, 1), (Stop(5, 3), Stop(2, 1)), Tuning.parse("GDAE"))
    >>> shape.label, shape.midi, [str(note) for note in shape.notes], shape.degrees(Chord.parse("Am"))
    ('3-1', (60, 64), ['C4', 'E4'], ('b3', '5'))
    """

    strings: tuple[int, ...]
    stops: tuple[Stop, ...]
    tuning: Tuning
    position: int = 1

    @property
    def midi(self) -> tuple[int, ...]:
        """MIDI numbers, in the order of the strings."""
        open_strings = self.tuning.midi
        return tuple(
            open_strings[string] + stop.semitones for string, stop in zip(self.strings, self.stops, strict=True)
        )

    @property
    def tones(self) -> frozenset[int]:
        """The different tones sounded, as semitones above C: one where an octave doubles it."""
        return frozenset(midi % 12 for midi in self.midi)

    @property
    def fingers(self) -> tuple[int, ...]:
        """Finger numbers, 0 for an open string, in the order of the strings."""
        return tuple(stop.finger for stop in self.stops)

    @property
    def label(self) -> str:
        """The shape as a teacher writes it: fingers, lower string first, such as ``0-3``, ``L2-0`` or ``III 1-2``."""
        return f"{_POSITIONS[self.position]} {'-'.join(map(str, self.stops))}".strip()

    @property
    def notes(self) -> tuple[Pitch, ...]:
        """The notes, spelled without regard to a chord (F# and C#, Bb and Eb)."""
        return tuple(spelled(midi) if midi % 12 != 1 else spelled(midi, 2) for midi in self.midi)

    def spelled(self, chord: Chord) -> tuple[Pitch, ...]:
        """The notes as the chord spells them, those outside it on its root's side of the line of fifths."""
        names = dict(zip(chord.numbers, chord.tones, strict=True))
        return tuple(
            names[midi % 12].at(midi) if midi % 12 in names else spelled(midi, chord.root.fifths) for midi in self.midi
        )

    def degrees(self, chord: Chord) -> tuple[str, ...]:
        """What each note is in the chord, such as ``("1", "3")``; a note outside it by its interval above the root."""
        names = dict(zip(chord.numbers, chord.degrees, strict=True))
        return tuple(names.get(midi % 12, _FOREIGN[(midi - chord.root.number) % 12]) for midi in self.midi)

    def __str__(self) -> str:
        return self.label


def placements(position: int = 1) -> dict[int, tuple[Stop, ...]]:
    """Every stop of a position: semitones above the open string -> the fingers that may take them.

    >>> [[str(stop) for stop in stops] for stops in placements(1).values()]
    [['0'], ['L1'], ['1'], ['L2'], ['2'], ['3'], ['H3', 'L4'], ['4']]
    >>> {semitones: [str(stop) for stop in stops] for semitones, stops in placements(3).items()}[7]
    ['2']
    """
    if not 1 <= position <= HIGHEST_POSITION:
        raise ValueError(f"position must be from 1 to {HIGHEST_POSITION}, not {position}")
    found: dict[int, tuple[Stop, ...]] = {0: (Stop(0, 0),)}
    for finger in (1, 2, 3, 4):
        for semitones, mark in _STEPS[position + finger - 1].items():
            found[semitones] = (*found.get(semitones, ()), Stop(semitones, finger, mark))
    return dict(sorted(found.items()))


def along(semitones: float) -> float:
    """The share of the string's length that a stop cuts off, from the nut: half of it for the octave.

    From the law of strings: the frequency is inverse to the sounding length.

    >>> round(along(12), 6), round(along(7), 4)
    (0.5, 0.3326)
    """
    return 1.0 - math.pow(2.0, -semitones / 12)
