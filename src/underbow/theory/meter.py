"""Meters and tempos. A tempo is never a bare number: it is beats a minute and the beat's note value.

Lengths are quarter notes, as Fractions. The beat of 6/8, 9/8 and 12/8 is the dotted quarter; that of 2/2 the half note.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from fractions import Fraction

_METER = re.compile(r"(\(?\s*\d{1,3}(?:\s*\+\s*\d{1,3})*\s*\)?)\s*/\s*(\d{1,3})", re.ASCII)
_NOTES = {1: "whole", 2: "half", 4: "quarter", 8: "eighth", 16: "sixteenth", 32: "thirty-second", 64: "sixty-fourth"}


@dataclass(frozen=True, slots=True)
class Meter:
    """A time signature.

    Parameters
    ----------
    groups : tuple of int
        The numerator: one number, or the groups of an additive meter such as (2+3+2)/8.
    unit : int
        The denominator, a power of two up to 64.
    sign : str
        ``"C"`` or ``"C|"`` where it was written so.

    >>> Meter.parse("6/8").bar, Meter.parse("6/8").beat, Meter.parse("C|").beat
    (Fraction(3, 1), Fraction(3, 2), Fraction(2, 1))
    """

    groups: tuple[int, ...]
    unit: int
    sign: str = ""

    def __post_init__(self) -> None:
        if not self.groups or min(self.groups) < 1 or sum(self.groups) > 64:
            raise ValueError(f"a meter has 1 to 64 units in a bar, not {'+'.join(map(str, self.groups)) or 'none'}")
        if self.unit not in (1, 2, 4, 8, 16, 32, 64):
            raise ValueError(f"a meter's unit must be 1, 2, 4, 8, 16, 32 or 64, not {self.unit}")

    @classmethod
    def parse(cls, text: str) -> Meter:
        """Read ``4/4``, ``C``, ``C|`` or ``(2+3+2)/8``; raise ValueError for anything else."""
        text = text.strip()
        if text in ("C", "c"):
            return cls((4,), 4, "C")
        if text in ("C|", "c|"):
            return cls((2,), 2, "C|")
        match = _METER.fullmatch(text)
        if not match:
            raise ValueError(f"not a meter: {text!r}; write one such as 4/4, 6/8 or C|")
        return cls(tuple(int(n) for n in re.findall(r"\d+", match[1])), int(match[2]))

    @property
    def numbers(self) -> str:
        """The meter as it is put into words, where a sign can't be drawn.

        >>> Meter.parse("C|").numbers, Meter.parse("C").numbers, Meter.parse("6/8").numbers
        ('2/2', '4/4', '6/8')
        """
        return str(replace(self, sign=""))

    @property
    def bar(self) -> Fraction:
        """Length of a bar in quarter notes."""
        return Fraction(4 * sum(self.groups), self.unit)

    @property
    def compound(self) -> bool:
        """Whether the units go in threes: 6/8, 9/8, 12/8 (and 3/8, which a player counts in one)."""
        return len(self.groups) == 1 and self.unit >= 8 and self.groups[0] % 3 == 0

    @property
    def beat(self) -> Fraction:
        """Length of a beat in quarter notes: what a player's foot taps."""
        return Fraction(4, self.unit) * (3 if self.compound else 1)

    @property
    def beats(self) -> tuple[Fraction, ...]:
        """Where the beats of a bar lie, in quarters from its start; the groups' starts in an additive meter.

        >>> [str(beat) for beat in Meter.parse("9/8").beats], [str(b) for b in Meter.parse("(2+3)/8").beats]
        (['0', '3/2', '3'], ['0', '1'])
        """
        if len(self.groups) > 1:
            starts = [sum(self.groups[:i]) for i in range(len(self.groups))]
            return tuple(Fraction(4 * start, self.unit) for start in starts)
        return tuple(self.beat * i for i in range(int(self.bar / self.beat)))

    def __str__(self) -> str:
        if self.sign:
            return self.sign
        number = "+".join(map(str, self.groups))
        return f"({number})/{self.unit}" if len(self.groups) > 1 else f"{number}/{self.unit}"


@dataclass(frozen=True, slots=True)
class Tempo:
    """Beats a minute, and the beat's note value.

    Parameters
    ----------
    count : Fraction
        Beats a minute, over 0.
    beat : Fraction
        The beat's length in quarter notes: 1 for a quarter, 3/2 for a dotted quarter, 2 for a half note.

    >>> jig = Tempo(Fraction(120), Fraction(3, 2))
    >>> jig.quarters_per_minute, str(jig)
    (Fraction(180, 1), '3/8 = 120')
    """

    count: Fraction
    beat: Fraction = Fraction(1)

    def __post_init__(self) -> None:
        if self.count <= 0 or self.beat <= 0:
            raise ValueError(f"a tempo has beats a minute and a beat over 0, not {self.count} and {self.beat}")

    @property
    def quarters_per_minute(self) -> Fraction:
        """What a Standard MIDI File counts, whatever the meter."""
        return self.count * self.beat

    @property
    def beat_name(self) -> str:
        """The beat as a fraction of a whole note, as in a sheet: ``3/8``."""
        return note_value(self.beat)

    def __str__(self) -> str:
        return f"{self.beat_name} = {self.written}"

    @property
    def written(self) -> str:
        """The count as it is read: whole, or to a tenth within a glide.

        >>> Tempo(Fraction(60)).written, Tempo(Fraction(499, 3)).written
        ('60', '166.3')
        """
        return f"{round(float(self.count), 1):g}"


def note_value(quarters: Fraction) -> str:
    """Write a length in quarter notes as a fraction of a whole note: ``1/4`` for one quarter.

    >>> note_value(Fraction(3, 2)), note_value(Fraction(4))
    ('3/8', '1/1')
    """
    whole = quarters / 4
    return f"{whole.numerator}/{whole.denominator}"


def beat_words(quarters: Fraction) -> str:
    """Name a beat, given in quarter notes, as a player says it; a value without a name is written as its fraction.

    >>> beat_words(Fraction(3, 2)), beat_words(Fraction(2)), beat_words(Fraction(5, 4))
    ('dotted quarter note', 'half note', '5/16 note')
    """
    whole = quarters / 4
    dotted = whole.numerator == 3
    plain = whole * Fraction(2, 3) if dotted else whole  # a dot makes a note half as long again
    name = _NOTES.get(plain.denominator) if plain.numerator == 1 else None
    return f"{'dotted ' * dotted}{name} note" if name else f"{note_value(quarters)} note"
