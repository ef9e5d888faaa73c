"""Chord symbols, as lead sheets and ABC tunes write them.

A symbol is a root, a quality and perhaps a bass: ``G``, ``Am7``, ``F#dim``, ``D7/F#``. The reader is liberal in what it
accepts (``min``, ``-``, ``maj7``, ``M7``, ``°``, ``+``; ABC 2.1 section 4.18) and writes one form back. The qualities form one table,
each row giving the degrees that the chord is made of; everything else follows from it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from underbow.theory.pitch import LETTERS, NATURAL, PitchClass

DEGREES = {"1": 0, "b2": 1, "2": 2, "b3": 3, "3": 4, "4": 5, "b5": 6, "5": 7, "#5": 8, "6": 9, "bb7": 9, "b7": 10, "7": 11,
           "b9": 13, "9": 14, "#9": 15, "11": 17, "#11": 18, "13": 21}  # fmt: skip

# quality as written back: (degrees, other ways to write it). Degrees count in semitones from the root by DEGREES.
QUALITIES: dict[str, tuple[str, tuple[str, ...]]] = {
    "": ("1 3 5", ("maj", "M", "major", "Maj")),
    "m": ("1 b3 5", ("min", "-", "mi", "minor")),
    "5": ("1 5", ("no3", "(no3)")),
    "7": ("1 3 5 b7", ("dom7", "dom")),
    "maj7": ("1 3 5 7", ("M7", "Maj7", "ma7", "j7", "△", "△7", "Δ", "Δ7", "major7")),
    "m7": ("1 b3 5 b7", ("min7", "-7", "mi7", "minor7")),
    "mmaj7": ("1 b3 5 7", ("mM7", "m(maj7)", "minmaj7", "-maj7", "m/maj7")),
    "6": ("1 3 5 6", ("maj6", "M6", "add6")),
    "m6": ("1 b3 5 6", ("min6", "-6")),
    "dim": ("1 b3 b5", ("d", "o", "°", "mb5", "m(b5)")),
    "dim7": ("1 b3 b5 bb7", ("d7", "o7", "°7")),
    "m7b5": ("1 b3 b5 b7", ("ø", "ø7", "m7-5", "min7b5", "-7b5", "m7(b5)", "hdim7")),
    "aug": ("1 3 #5", ("+", "a", "#5", "+5", "(#5)")),
    "7#5": ("1 3 #5 b7", ("aug7", "+7", "7+", "7+5", "7(#5)", "a7")),
    "7b5": ("1 3 b5 b7", ("7-5", "7(b5)")),
    "sus4": ("1 4 5", ("sus", "4")),
    "sus2": ("1 2 5", ("2",)),
    "7sus4": ("1 4 5 b7", ("7sus", "sus7", "sus47")),
    "add9": ("1 3 5 9", ("add2", "(add9)", "/9")),
    "madd9": ("1 b3 5 9", ("madd2", "m(add9)")),
    "9": ("1 3 5 b7 9", ("7add9",)),
    "m9": ("1 b3 5 b7 9", ("min9", "-9")),
    "maj9": ("1 3 5 7 9", ("M9", "Maj9")),
    "6/9": ("1 3 5 6 9", ("69", "6add9")),
    "7b9": ("1 3 5 b7 b9", ("7-9", "7(b9)")),
    "7#9": ("1 3 5 b7 #9", ("7(#9)",)),
    "11": ("1 3 5 b7 9 11", ()),
    "m11": ("1 b3 5 b7 9 11", ("min11", "-11")),
    "13": ("1 3 5 b7 9 13", ("7add13",)),
}

_BY_WRITING = {writing: name for name, (_, others) in QUALITIES.items() for writing in (name, *others)}
_SYMBOL = re.compile(r"([A-G])(##|bb|[#b♯♭♮])?(.*?)(?:/\s*([A-Ga-g])(##|bb|[#b+♯♭♮]|-)?)?")


@dataclass(frozen=True, slots=True)
class Chord:
    """A chord as it is played: root, quality and, where it differs from the root, the bass.

    Parameters
    ----------
    root : PitchClass
    quality : str
        One of :data:`QUALITIES`.
    bass : PitchClass or None

    >>> chord = Chord.parse("F#m7/C#")
    >>> str(chord), chord.degrees, [str(tone) for tone in chord.tones]
    ('F#m7/C#', ('1', 'b3', '5', 'b7'), ['F#', 'A', 'C#', 'E'])
    """

    root: PitchClass
    quality: str = ""
    bass: PitchClass | None = None

    def __post_init__(self) -> None:
        if self.quality not in QUALITIES:
            raise ValueError(f"unknown chord quality {self.quality!r}")

    @classmethod
    def parse(cls, text: str) -> Chord:
        """Read a chord symbol; raise ValueError for what is none.

        A bass may be in lower case and may carry ``+`` for sharp, as an old collection writes it (``D/f+``); an alternative in
        brackets after the symbol, ``G(Em)``, is for print only and left out (ABC 2.1 section 4.18).
        """
        written = text.strip()
        found = _read(written)
        if found is None and written.endswith(")") and "(" in written:
            found = _read(written[: written.rindex("(")].strip())
        if found is None:
            raise ValueError(f"not a chord: {text!r}; write one such as G, Am, D7, F#m7 or C/E")
        return found

    @property
    def degrees(self) -> tuple[str, ...]:
        """Degrees above the root, such as ``("1", "b3", "5")``."""
        return tuple(QUALITIES[self.quality][0].split())

    @property
    def tones(self) -> tuple[PitchClass, ...]:
        """The spelled notes, in the order of :attr:`degrees`; a foreign bass is not among them."""
        return tuple(_above(self.root, degree) for degree in self.degrees)

    @property
    def numbers(self) -> tuple[int, ...]:
        """The notes as semitones above C, 0 to 11, in the order of :attr:`degrees`."""
        return tuple((self.root.number + DEGREES[degree]) % 12 for degree in self.degrees)

    @property
    def is_minor(self) -> bool:
        """Whether the third is minor."""
        return "b3" in self.degrees

    @property
    def lowest(self) -> PitchClass:
        """What a bass player plays: the bass, else the root."""
        return self.bass or self.root

    def transposed(self, fifths: int) -> Chord:
        """Move every name along the line of fifths (2 = a whole tone up); respell what would leave it.

        >>> str(Chord.parse("Am/G").transposed(2))
        'Bm/A'
        """
        return Chord(_moved(self.root, fifths), self.quality, _moved(self.bass, fifths) if self.bass else None)

    def __str__(self) -> str:
        return f"{self.root}{self.quality}" + (f"/{self.bass}" if self.bass else "")


def _read(text: str) -> Chord | None:
    match = _SYMBOL.fullmatch(text)
    if not match:
        return None
    quality = _BY_WRITING.get(match[3].strip().replace("♭", "b").replace("♯", "#"))
    if quality is None:
        return None
    root = PitchClass.parse(match[1] + (match[2] or ""))
    bass = None
    if match[4]:
        sign = {"+": "#", "-": "b"}.get(match[5] or "", match[5] or "")
        bass = PitchClass.parse(match[4] + sign)
    return Chord(root, quality, None if bass == root else bass)


def _above(root: PitchClass, degree: str) -> PitchClass:
    """Spell a degree above a root: a third is three letters up, whatever its size."""
    steps = int(degree.lstrip("b#")) - 1
    letter = LETTERS[(LETTERS.index(root.letter) + steps) % 7]
    alter = (root.number + DEGREES[degree] - NATURAL[letter] + 6) % 12 - 6
    if abs(alter) > 2:  # the seventh of Fb dim7 and its like: any name that sounds right
        return PitchClass.at_fifths((root.number + DEGREES[degree]) * 7 % 12)
    return PitchClass(letter, alter)


def _moved(name: PitchClass, fifths: int) -> PitchClass:
    place = name.fifths + fifths
    if not -8 <= place <= 12:  # Fb to B#: beyond them players read the plain name
        place = place - 12 if place > 12 else place + 12
    return PitchClass.at_fifths(place)
