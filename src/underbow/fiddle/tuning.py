"""Strings and tunings. Intervals on the fingerboard follow from the tuning, never from "a fifth up".

Sources of the named tunings: GDAE, AEAE, ADAE, FCGD and GDGB from encyclopaedia articles on cross tuning, GDGD also from a string
maker's page; AEAC# and DDAD from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise

from underbow.errors import InputError, near_miss
from underbow.theory.pitch import Pitch

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
REGISTERS = ("low", "middle", "high")


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
        """Read a name such as ``AEAE`` or four note names with octaves; raise InputError for anything else."""
        words = text.split()
        if len(words) == 1 and text.strip().upper() in NAMED:
            name = text.strip().upper()
            return cls(name, tuple(Pitch.parse(word) for word in NAMED[name].split()))
        try:
            strings = tuple(Pitch.parse(word) for word in words)
        except ValueError:
            strings = ()
        if len(strings) != 4 or any(high.midi < low.midi for low, high in pairwise(strings)):
            raise InputError(
                f"not a tuning: {text!r}{near_miss(text.upper(), NAMED)}; write one of {', '.join(NAMED)}, or four notes "
                'from the lowest string up, such as "A3 E4 A4 E5"'
            )
        if not all(43 <= string.midi <= 86 for string in strings):
            raise InputError(
                f"tuning {text!r} has a string outside G2 to D6; check the octave numbers (the A string is A4)"
            )
        return cls("".join(re.sub(r"-?\d", "", str(s)) for s in strings), strings)

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
