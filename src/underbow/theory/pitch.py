"""Pitches: spelled names, MIDI numbers, frequencies.

Conventions
-----------
A pitch is spelled (letter, alteration, octave) wherever it is shown and a MIDI number (A4 = 69, middle C = C4 = 60)
wherever it is counted. Octaves are those of scientific pitch notation: they change at C. Frequencies follow twelve-tone
equal temperament from the concert pitch, by default A4 = 440 Hz (ISO 16:1975).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

LETTERS = "CDEFGAB"
NATURAL = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}  # semitones above C
CONCERT_PITCH = 440.0  # Hz, ISO 16:1975

_ACCIDENTALS = {"": 0, "#": 1, "##": 2, "x": 2, "b": -1, "bb": -2, "♯": 1, "♭": -1, "♮": 0, "♯♯": 2, "♭♭": -2}
_SIGN = {-2: "bb", -1: "b", 0: "", 1: "#", 2: "##"}
_CLASS = re.compile(r"([A-Ga-g])(##|#|bb|b|x|♯♯|♯|♭♭|♭|♮)?")
_PITCH = re.compile(_CLASS.pattern + r"(-?\d+)")

# Order in which sharps are added to a signature; flats are added in the reverse order.
FIFTHS = "FCGDAEB"


@dataclass(frozen=True, slots=True)
class PitchClass:
    """A spelled note without its octave.

    Parameters
    ----------
    letter : str
        One of C D E F G A B.
    alter : int
        Semitones by which it is raised, in [-2, 2].

    >>> PitchClass.parse("Bb").number, str(PitchClass("F", 1))
    (10, 'F#')
    """

    letter: str
    alter: int = 0

    def __post_init__(self) -> None:
        if self.letter not in NATURAL:
            raise ValueError(f"letter must be one of {LETTERS}, not {self.letter!r}")
        if not -2 <= self.alter <= 2:
            raise ValueError(f"alter must be from -2 to 2 semitones, not {self.alter}")

    @classmethod
    def parse(cls, text: str) -> PitchClass:
        """Read ``F#``, ``Bb`` or ``e♭``; raise ValueError for anything else."""
        match = _CLASS.fullmatch(text.strip())
        if not match:
            raise ValueError(f"not a note name: {text!r}; write a letter A to G with # or b, such as F# or Bb")
        return cls(match[1].upper(), _ACCIDENTALS[match[2] or ""])

    @property
    def number(self) -> int:
        """Semitones above C, 0 to 11."""
        return (NATURAL[self.letter] + self.alter) % 12

    @property
    def fifths(self) -> int:
        """Place on the line of fifths, C = 0, G = 1, F = -1.

        >>> PitchClass("F", 1).fifths, PitchClass("B", -1).fifths
        (6, -2)
        """
        return FIFTHS.index(self.letter) - 1 + 7 * self.alter

    @classmethod
    def at_fifths(cls, fifths: int) -> PitchClass:
        """Give the note at a place on the line of fifths, -15 (Fbb) to 19 (B##).

        >>> str(PitchClass.at_fifths(6)), str(PitchClass.at_fifths(-2))
        ('F#', 'Bb')
        """
        alter, index = divmod(fifths + 1, 7)
        return cls(FIFTHS[index], alter)

    def at(self, midi: int) -> Pitch:
        """Give this name the octave in which it sounds a MIDI number of its own pitch class.

        >>> str(PitchClass("C", -1).at(59)), str(PitchClass("B", 1).at(60))
        ('Cb4', 'B#3')
        """
        return Pitch(self.letter, self.alter, (midi - NATURAL[self.letter] - self.alter) // 12 - 1)

    def __str__(self) -> str:
        return self.letter + _SIGN[self.alter]


@dataclass(frozen=True, slots=True)
class Pitch:
    """A spelled note in its octave.

    >>> Pitch.parse("C#5").midi, str(Pitch.parse("Bb3")), Pitch.parse("Cb4").midi
    (73, 'Bb3', 59)
    """

    letter: str
    alter: int
    octave: int

    def __post_init__(self) -> None:
        PitchClass(self.letter, self.alter)  # validates both

    @classmethod
    def parse(cls, text: str) -> Pitch:
        """Read ``C#5``; raise ValueError for anything else."""
        match = _PITCH.fullmatch(text.strip())
        if not match:
            raise ValueError(f"not a pitch: {text!r}; write a note name and an octave, such as G3 or C#5")
        return cls(match[1].upper(), _ACCIDENTALS[match[2] or ""], int(match[3]))

    @property
    def pitch_class(self) -> PitchClass:
        """The note without its octave."""
        return PitchClass(self.letter, self.alter)

    @property
    def midi(self) -> int:
        """MIDI number, middle C (C4) = 60; unbounded."""
        return 12 * (self.octave + 1) + NATURAL[self.letter] + self.alter

    @property
    def steps(self) -> int:
        """Diatonic steps above C0, whatever the alteration: C4 = 28, D4 = 29."""
        return 7 * self.octave + LETTERS.index(self.letter)

    def transposed(self, steps: int, semitones: int) -> Pitch:
        """Move by diatonic steps and by semitones; respell where that would need a triple accidental.

        >>> str(Pitch.parse("F#4").transposed(1, 2)), str(Pitch.parse("B4").transposed(2, 3))
        ('G#4', 'D5')
        """
        octave, letter = divmod(self.steps + steps, 7)
        target = self.midi + semitones
        alter = target - (12 * (octave + 1) + NATURAL[LETTERS[letter]])
        if abs(alter) > 2:
            return spelled(target)
        return Pitch(LETTERS[letter], alter, octave)

    def __str__(self) -> str:
        return f"{self.letter}{_SIGN[self.alter]}{self.octave}"


def spelled(midi: int, around: int = 0) -> Pitch:
    """Spell a MIDI number by the twelve notes nearest to a place on the line of fifths.

    Parameters
    ----------
    midi : int
    around : int
        The major tonic's place on the line of fifths (the signature's sharps); the notes from five fifths below
        to six above it are used, so that C gives Db Ab Eb Bb F C G D A E B F#.

    >>> str(spelled(61)), str(spelled(61, around=2))
    ('Db4', 'C#4')
    """
    fifths = (midi * 7) % 12  # one of the places of this pitch class
    low = around - 5
    fifths = low + (fifths - low) % 12
    return PitchClass.at_fifths(fifths).at(midi)


def frequency(midi: float, concert_pitch: float = CONCERT_PITCH) -> float:
    """Frequency in Hz of a MIDI number in equal temperament (ISO 16:1975 for 440).

    >>> round(frequency(55), 6), frequency(81, 442.0)
    (195.997718, 884.0)
    """
    return float(concert_pitch * 2.0 ** ((midi - 69) / 12))


def cents(frequency_hz: float, reference_hz: float) -> float:
    """How far a frequency lies above another, in cents (a hundredth of an equal semitone).

    >>> round(cents(3.0, 2.0), 3)
    701.955
    """
    return 1200.0 * math.log2(frequency_hz / reference_hz)
