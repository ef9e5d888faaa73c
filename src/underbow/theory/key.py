"""Keys and modes.

The seven modes are those of the ABC standard 2.1, section 3.1.14; a mode's signature is its tonic's major signature
moved along the line of fifths by a fixed amount (minor three flats more, mixolydian one, dorian two, and so on).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from underbow.theory.pitch import FIFTHS, Pitch, PitchClass, spelled

# Sharps to add to the major signature of the same tonic.
MODES = {"major": 0, "minor": -3, "mixolydian": -1, "dorian": -2, "phrygian": -4, "lydian": 1, "locrian": -5}
_WRITTEN = {"": "", "major": "", "minor": "m", "mixolydian": "mix", "dorian": "dor", "phrygian": "phr", "lydian": "lyd",
            "locrian": "loc"}  # fmt: skip
_BY_THREE = {mode[:3]: mode for mode in MODES} | {"ion": "major", "aeo": "minor"}
_KEY = re.compile(r"([A-Ga-g])\s*([#b♯♭]?)\s*([A-Za-z]*)")


@dataclass(frozen=True, slots=True)
class Key:
    """A tonic and a mode, with the accidentals that a signature may have of its own.

    Parameters
    ----------
    tonic : PitchClass
    mode : str
        One of :data:`MODES`.
    altered : tuple of (str, int)
        Letters whose alteration in the signature differs from the mode's, such as ``(("F", 1),)`` for D phrygian with
        F sharp (ABC ``K:D Phr ^f``).

    >>> Key.parse("Ador").signature, str(Key.parse("F# minor")), Key.parse("Amix").alteration("G")
    (1, 'F#m', 0)
    """

    tonic: PitchClass
    mode: str = "major"
    altered: tuple[tuple[str, int], ...] = ()

    def __post_init__(self) -> None:
        if self.mode not in MODES:
            raise ValueError(f"mode must be one of {', '.join(MODES)}, not {self.mode!r}")
        if not -7 <= self.signature <= 7:
            raise ValueError(
                f"{self.tonic} {self.mode} would need {abs(self.signature)} sharps or flats; the maximum is 7"
            )

    @classmethod
    def parse(cls, text: str) -> Key:
        """Read ``G``, ``Bb``, ``Em``, ``A dor``, ``D mixolydian``; only a mode's first three letters count.

        Raises
        ------
        ValueError
            Naming what was expected.
        """
        match = _KEY.fullmatch(text.strip())
        mode = _mode(match[3]) if match else None
        if match is None or mode is None:
            raise ValueError(f"not a key: {text!r}; write a tonic and a mode, such as G, Em, Ador or Dmix")
        return cls(PitchClass.parse(match[1] + match[2]), mode)

    @property
    def signature(self) -> int:
        """Sharps of the signature, flats negative, -7 to 7 (without the key's own alterations)."""
        return self.tonic.fifths + MODES[self.mode]

    def alteration(self, letter: str) -> int:
        """Semitones by which the signature raises a letter.

        >>> [Key.parse("Eb").alteration(letter) for letter in "ABCDEFG"]
        [-1, -1, 0, 0, -1, 0, 0]
        """
        for own, alter in self.altered:
            if own == letter:
                return alter
        place = FIFTHS.index(letter)
        return (place < self.signature) - (place >= 7 + self.signature)

    @property
    def scale(self) -> tuple[PitchClass, ...]:
        """The seven notes from the tonic up.

        >>> " ".join(map(str, Key.parse("Edor").scale))
        'E F# G A B C# D'
        """
        letters = "CDEFGAB"
        first = letters.index(self.tonic.letter)
        return tuple(PitchClass(letter, self.alteration(letter)) for letter in letters[first:] + letters[:first])

    @property
    def is_minor(self) -> bool:
        """Whether the third above the tonic is minor (minor, dorian, phrygian, locrian)."""
        return MODES[self.mode] <= -2

    def spell(self, midi: int) -> Pitch:
        """Spell a MIDI number as this key would: the scale's own name, else a note from flat second to sharp fourth.

        >>> str(Key.parse("E").spell(68)), str(Key.parse("Cm").spell(68)), str(Key.parse("Am").spell(68))
        ('G#4', 'Ab4', 'G#4')

        The lowest note of MIDI is a C in every key: as a B sharp it would lie an octave below all others.

        >>> str(Key.parse("C#m").spell(0)), str(Key.parse("C#m").spell(12))
        ('C-1', 'B#-1')
        """
        if midi == 0:
            return Pitch("C", 0, -1)
        for name in self.scale:
            if name.number == midi % 12:
                return name.at(midi)
        return spelled(midi, self.tonic.fifths)

    def __str__(self) -> str:
        return f"{self.tonic}{_WRITTEN[self.mode]}"


def _mode(word: str) -> str | None:
    """Mode named by a word, as ABC 2.1 has it: no word or major, a bare m or minor, else three letters."""
    if word == "":
        return "major"
    if word == "M":
        return "major"
    if word.lower() == "m":
        return "minor"
    return _BY_THREE.get(word[:3].lower())
