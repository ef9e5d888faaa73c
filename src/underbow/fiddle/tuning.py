"""Strings and tunings. Intervals on the fingerboard follow from the tuning, never from "a fifth up".

Sources of the named tunings: GDAE, AEAE, ADAE, FCGD and GDGB from encyclopaedia articles on cross tuning, GDGD also from a string
maker's page (johnsonstring.com); AEAC# and DDAD from a player's list of old-time
tunings (waxandwane.org).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise

from underbow.errors import InputError, near_miss
from underbow.theory.pitch import Pitch, PitchClass

NAMED: dict[str, str] = {
    "GDAE": "G3 D4 A4 E5",
    "AEAE": "A3 E4 A4 E5",
    "ADAE": "A3 D4 A4 E5",
    "GDGD": "G3 D4 G4 D5",
    "GDGB": "G3 D4 G4 B4",
    "FCGD": "F3 C4 G4 D5",
    "AEAC#": "A3 E4 A4 C#5",
    "DDAD": "D3 D4 A4 D5",
}
# What players call some of them.
CALLED = {
    "STANDARD": "GDAE",
    "CROSS A": "AEAE",
    "CROSS G": "GDGD",
    "SAWMILL": "GDGD",
    "OPEN G": "GDGB",
    "CALICO": "AEAC#",
}
REGISTERS = ("low", "middle", "high")
_STANDARD = (55, 62, 69, 76)
_LETTERS = re.compile(r"\s*".join([r"([A-G](?:[#b♯♭])?)"] * 4))


@dataclass(frozen=True, slots=True)
class Tuning:
    """The open strings, lowest first.

    >>> Tuning.parse("GDAE").midi, Tuning.parse("A3 E4 A4 E5").name
    ((55, 62, 69, 76), 'AEAE')
    """

    name: str
    strings: tuple[Pitch, ...]

    @classmethod
    def parse(cls, text: str) -> Tuning:
        """Read four note names, lowest string first, or what players call a tuning.

        Without octave numbers each note is taken where it is nearest to the string of standard tuning, down rather than up,
        as a player turns the peg: so the names of :data:`NAMED` come out as listed there.

        Raises
        ------
        InputError
            Where it is no tuning, falls from one string to the next, or no fiddle string could be tuned so.

        >>> [str(string) for string in Tuning.parse("EDAE").strings], Tuning.parse("sawmill").name
        (['E3', 'D4', 'A4', 'E5'], 'GDGD')
        """
        written = " ".join(text.split())
        called = CALLED.get(written.upper(), written)
        letters = _LETTERS.fullmatch(called[:1].upper() + called[1:]) or _LETTERS.fullmatch(called.upper())
        try:
            if letters:
                strings = tuple(_nearest(name, to) for name, to in zip(letters.groups(), _STANDARD, strict=True))
            else:
                strings = tuple(Pitch.parse(word) for word in written.split())
        except ValueError:
            strings = ()
        if len(strings) != 4:
            raise InputError(
                f"not a tuning: {text!r}{near_miss(text.upper(), (*NAMED, *CALLED))}; write one of {', '.join(NAMED)}, or four "
                'notes from the lowest string up, such as "A3 E4 A4 E5"'
            )
        if any(high.midi < low.midi for low, high in pairwise(strings)):
            raise InputError(
                f"tuning {text!r} goes down from one string to the next ({' '.join(map(str, strings))}); write the lowest "
                'string first, with octave numbers, such as "A3 E4 A4 E5"'
            )
        if not all(43 <= string.midi <= 86 for string in strings):
            raise InputError(
                f"tuning {text!r} has a string outside G2 to D6; check the octave numbers (the A string is A4)"
            )
        usual = all(_nearest(str(s.pitch_class), to) == s for s, to in zip(strings, _STANDARD, strict=True))
        return cls(("" if usual else " ").join(str(s.pitch_class) if usual else str(s) for s in strings), strings)

    @property
    def midi(self) -> tuple[int, ...]:
        """MIDI numbers of the open strings."""
        return tuple(string.midi for string in self.strings)

    def pair(self, register: str) -> tuple[int, int]:
        """Give the two neighbouring strings (indices from the lowest) of a register: low, middle or high."""
        if register not in REGISTERS:
            raise InputError(
                f"strings must be {', '.join(REGISTERS)}, not {register!r}{near_miss(register, REGISTERS)}"
            )
        low = REGISTERS.index(register)
        return low, low + 1


def _nearest(name: str, to: int) -> Pitch:
    """The note of a name that is nearest to a MIDI number, the lower one of two."""
    letter = PitchClass.parse(name)
    octaves = (Pitch(letter.letter, letter.alter, octave) for octave in range(3, 6))
    return min(octaves, key=lambda pitch: (abs(pitch.midi - to), pitch.midi))
