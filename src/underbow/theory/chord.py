"""Chord symbols, as lead sheets and ABC tunes write them.

A symbol is a root, a quality and perhaps a bass: ``G``, ``Am7``, ``F#dim``, ``D7/F#``. The reader is liberal in what it
accepts (``min``, ``-``, ``maj7``, ``M7``, ``°``, ``+``; ABC 2.1 section 4.18) and writes one form back. The qualities form
one table, each row giving the degrees that the chord is made of; everything else follows from it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from underbow.theory.pitch import LETTERS, NATURAL, PitchClass

DEGREES = {"1": 0, "b2": 1, "2": 2, "b3": 3, "3": 4, "4": 5, "b5": 6, "5": 7, "#5": 8, "6": 9, "bb7": 9, "b7": 10, "7": 11,
           "b9": 13, "9": 14, "#9": 15, "11": 17, "#11": 18, "b13": 20, "13": 21}  # fmt: skip

# quality as written back: (degrees, other ways to write it). Degrees count in semitones from the root by DEGREES. Capitals,
# brackets, maj/M/ma, min/mi/-, ♯♭ and +- before a number need no row of their own: _plain makes them one.
QUALITIES: dict[str, tuple[str, tuple[str, ...]]] = {
    # two and three notes
    "": ("1 3 5", ("maj",)),
    "m": ("1 b3 5", ()),
    "5": ("1 5", ("no3", "no3rd", "omit3")),
    "dim": ("1 b3 b5", ("d", "o", "mb5")),
    "aug": ("1 3 #5", ("+", "a", "#5")),
    "m#5": ("1 b3 #5", ("m+",)),
    "sus4": ("1 4 5", ("sus", "4")),
    "sus2": ("1 2 5", ("2",)),
    "sus2sus4": ("1 2 4 5", ("sus24", "sus4sus2", "sus42")),
    # added notes
    "6": ("1 3 5 6", ("maj6", "add6", "add13")),
    "m6": ("1 b3 5 6", ("madd6",)),
    "add9": ("1 3 5 9", ("add2", "/9", "majadd9")),
    "madd9": ("1 b3 5 9", ("madd2",)),
    "add4": ("1 3 4 5", ("add11",)),
    "madd4": ("1 b3 4 5", ("madd11",)),
    "6/9": ("1 3 5 6 9", ("69", "6add9", "maj69", "maj6/9")),
    "m6/9": ("1 b3 5 6 9", ("m69", "m6add9")),
    # sevenths
    "7": ("1 3 5 b7", ("dom7", "dom")),
    "maj7": ("1 3 5 7", ("j7", "j", "△", "△7")),
    "m7": ("1 b3 5 b7", ()),
    "mmaj7": ("1 b3 5 7", ("m/maj7", "mj7", "m△", "m△7", "m#7")),
    "dim7": ("1 b3 b5 bb7", ("d7", "o7")),
    "m7b5": ("1 b3 b5 b7", ("ø", "ø7", "hdim7", "hdim", "dimb7")),
    "7#5": ("1 3 #5 b7", ("aug7", "+7", "7+", "a7", "7aug")),
    "7b5": ("1 3 b5 b7", ()),
    "maj7#5": ("1 3 #5 7", ("augmaj7", "+maj7", "△7#5")),
    "7sus4": ("1 4 5 b7", ("7sus", "sus7", "sus47")),
    "7sus2": ("1 2 5 b7", ()),
    "maj7sus4": ("1 4 5 7", ("maj7sus",)),
    "7add11": ("1 3 5 b7 11", ("7add4",)),
    "m7add11": ("1 b3 5 b7 11", ("m7add4",)),
    "7add13": ("1 3 5 b7 13", ("7add6",)),
    # altered sevenths
    "7b9": ("1 3 5 b7 b9", ("7addb9",)),
    "7#9": ("1 3 5 b7 #9", ("7add#9",)),
    "7#11": ("1 3 5 b7 #11", ()),
    "7b13": ("1 3 5 b7 b13", ()),
    "7b5b9": ("1 3 b5 b7 b9", ("7b9b5",)),
    "7#5b9": ("1 3 #5 b7 b9", ("7b9#5", "aug7b9", "+7b9")),
    "7#5#9": ("1 3 #5 b7 #9", ("7#9#5", "aug7#9", "+7#9", "7alt", "alt")),
    "maj7#11": ("1 3 5 7 #11", ("△7#11",)),
    # ninths and beyond; the eleventh is left out of a thirteenth, as players do
    "9": ("1 3 5 b7 9", ("7add9", "dom9")),
    "m9": ("1 b3 5 b7 9", ("m7add9",)),
    "maj9": ("1 3 5 7 9", ("△9", "maj7add9", "j9")),
    "mmaj9": ("1 b3 5 7 9", ("m△9",)),
    "9sus4": ("1 4 5 b7 9", ("9sus", "sus9")),
    "9#5": ("1 3 #5 b7 9", ("aug9", "+9")),
    "9b5": ("1 3 b5 b7 9", ()),
    "9#11": ("1 3 5 b7 9 #11", ()),
    "11": ("1 3 5 b7 9 11", ()),
    "m11": ("1 b3 5 b7 9 11", ()),
    "13": ("1 3 5 b7 9 13", ("dom13",)),
    "m13": ("1 b3 5 b7 9 13", ()),
    "maj13": ("1 3 5 7 9 13", ("△13",)),
    "13b9": ("1 3 5 b7 b9 13", ()),
    "13sus4": ("1 4 5 b7 9 13", ("13sus",)),
}

_BY_WRITING = {writing: name for name, (_, others) in QUALITIES.items() for writing in (name, *others)}
_SYMBOL = re.compile(r"([A-G])(##|bb|♯♯|♭♭|[#b♯♭♮])?(.*?)(?:/\s*([A-Ga-g])(##|bb|♯♯|♭♭|[#b+♯♭♮]|-)?)?")
# What is written in many ways -> one: applied in order to a quality before it is looked up.
_PLAINER = [(re.compile(pattern), plain) for pattern, plain in (
    (r"[\s(),\[\]]", ""), ("♭", "b"), ("♯", "#"), ("[°º]", "o"), (r"[Δ∆^]", "△"), ("[Øø]7?", "ø"),
    (r"(?i:major|maj|ma(?!dd|j))|M(?!i|I)", "maj"),
    (r"(?i:minor|min|mi)|^-(?!5)", "m"),
    (r"-(?=5|9|11|13)", "b"), (r"(?<=[\dm])\+(?=5|9|11)|^\+(?=5)", "#"),
)]  # fmt: skip
_WORDS = re.compile("dim|aug|sus|add|dom|omit|no|alt", re.IGNORECASE)


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
        brackets after the symbol, ``G(Em)``, is for print only and left out (ABC 2.1 section 4.18); a chord wholly in
        brackets, ``(E7)``, is one that may be played, and is.

        >>> [str(Chord.parse(text)) for text in ("Gmin7", "C-7", "F△7", "B°", "D/f+", "A7(b9)", "G(Em)")]
        ['Gm7', 'Cm7', 'Fmaj7', 'Bdim', 'D/F#', 'A7b9', 'G']
        """
        written = text.strip()
        if written.startswith("(") and written.endswith(")"):
            written = written[1:-1].strip()
        found = _read(written)
        if found is None and written.endswith(")") and "(" in written:
            found = _read(written[: written.rindex("(")].strip())
        if found is None:
            raise ValueError(f"not a chord: {text!r}; {_hint(written)}")
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
    quality = _BY_WRITING.get(match[3])
    if quality is None:
        quality = _BY_WRITING.get(_plain(match[3]))
    if quality is None:
        return None
    root = PitchClass.parse(match[1] + (match[2] or ""))
    bass = None
    if match[4]:
        sign = {"+": "#", "-": "b"}.get(match[5] or "", match[5] or "")
        bass = PitchClass.parse(match[4] + sign)
    return Chord(root, quality, None if bass == root else bass)


def _plain(quality: str) -> str:
    """Write a quality in the plain signs of the table.

    >>> _plain("MI7(♭5)"), _plain("-7"), _plain("+5"), _plain("Maj7"), _plain("mM7")
    ('m7b5', 'm7', '#5', 'maj7', 'mmaj7')
    """
    for pattern, plain in _PLAINER:
        quality = pattern.sub(plain, quality)
    return _WORDS.sub(lambda word: word[0].lower(), quality)


_IN_WORDS = {
    "flat": "write Bb for B flat",
    "sharp": "write F# for F sharp",
    "major": "write G for G major",
    "minor": "write Gm for G minor",
}


def _hint(written: str) -> str:
    """Say what to write instead of what is no chord."""
    capital = written[:1].upper() + written[1:]
    if capital != written and _read(capital):
        return f"the root is a capital letter, such as {capital}"
    if written[:1] in ("H", "h") and _read("B" + written[1:]):
        return f"the German H is B here: write {'B' + written[1:]}"
    cures = (cure for word, cure in _IN_WORDS.items() if written.lower().endswith(word))
    return next(cures, "write one such as G, Am, D7, F#m7 or C/E")


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
    while not -8 <= place <= 12:  # Fb to B#: beyond them players read the plain name
        place += -12 if place > 12 else 12
    return PitchClass.at_fifths(place)
