"""The signs of ABC music code (standard 2.1, section 4), found one after the other.

One expression names every sign; :func:`signs` walks a piece of music code with it. A sign that belongs nowhere comes out as
``odd``: nothing is ever lost without being told.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

LONGEST = (
    1024  # units in one note or parts of a unit: beyond any music, and a bound for what a slip of the keyboard costs
)

# In the order tried; the first that fits is taken. What has an end is searched for it over a bounded stretch only, so that the
# time does not grow with the square of a text full of opening signs.
_SIGNS = {
    "space": r"[ \t\n`\u00a0\u200b]+",
    "inline": r"\[[ \t]*[A-Za-z]:[^\]\n]{0,999}\]?",
    "ending": r"\[[ \t]*\d+(?:[,\-]\d+)*\.?",
    "bar": r"\.?(?:\[?\||::|:(?=[|\]]))(?:[|:\]]|\[(?=[|\]]))*",
    "colon": r":",
    "note": r"[\^_=]*[A-Ga-g][,'’]*[\d/]*",
    "rests": r"[ZX]\d*",
    "rest": r"[zx][\d/]*",
    "spacer": r"y[\d/]*",
    "string": r'"[^"\n]{0,999}"|[“”„][^“”"\n]{0,99}[“”"]',  # curly quotes, as a word processor makes them
    "grace": r"\{[^}\n]{0,199}\}",
    "overlay": r"\(&|&\)|&+",
    "tuplet": r"\([ \t]*\d+(?::\d*){0,2}",
    "slur": r"\.?\(",
    "unslur": r"\)",
    "tie": r"\.?[-–]",
    "open": r"\[",
    "close": r"\][\d/]*",
    "broken": r"<+|>+",
    "mark": r"![^!\s|\[\]:]{0,60}!|![a-z]{2,12}[|:][a-z]{1,12}!|\+[^+\s|\[\]:]{0,60}\+",
    "short": r"[.~H-Wh-w]",
    "number": r"/+\d*|\d+/+\d*|\d+(?:[,\-]\d+)*\.?",
    "reserved": r"[#*;?@$!\\]",
    "odd": r".",
}
_SIGN = re.compile("|".join(f"(?P<{name}>{form})" for name, form in _SIGNS.items()), re.DOTALL)
_LONG_NAMES = frozenset(("fermata", "trill", "roll", "accent", "segno", "coda", "upbow", "downbow", "turn", "mordent"))
_NOTE = re.compile(r"([\^_=]*)([A-Ga-g])([,'’]*)([\d/]*)")
_LENGTH = re.compile(r"(\d*)(/*)(\d*)(.*)")
_ACCIDENTALS = {"^": 1, "^^": 2, "_": -1, "__": -2, "=": 0}


@dataclass(frozen=True, slots=True)
class Sign:
    """A sign of music code: its kind, its text and its place in the piece."""

    kind: str
    text: str
    start: int

    @property
    def end(self) -> int:
        """The place after it."""
        return self.start + len(self.text)


def signs(text: str) -> Iterator[Sign]:
    """Give every sign but the spaces.

    >>> [(sign.kind, sign.text) for sign in signs('|: "G"^f>.g (3abc :|2 [CE]2')][:6]
    [('bar', '|:'), ('string', '"G"'), ('note', '^f'), ('broken', '>'), ('short', '.'), ('note', 'g')]
    """
    place = 0
    while match := _SIGN.match(text, place):
        kind, sign = match.lastgroup or "odd", match[0]
        if kind == "mark" and ("|" in sign or ":" in sign) and re.sub(r"[|:!]", "", sign) not in _LONG_NAMES:
            kind, sign = "reserved", sign[0]  # two old line breaks with music between them
        if kind != "space":
            yield Sign(kind, sign, place)
        place += len(sign)


@dataclass(frozen=True, slots=True)
class Written:
    """A note sign taken apart: accidental (None where it has none), letter, octave and length in units."""

    accidental: int | None
    letter: str
    octave: int
    length: Fraction
    good: bool


@lru_cache(maxsize=4096)
def note_sign(text: str) -> Written:
    """Take a note sign apart (sections 4.1 to 4.3).

    >>> note_sign("^f'3/2")
    Written(accidental=1, letter='F', octave=6, length=Fraction(3, 2), good=True)
    """
    match = _NOTE.fullmatch(text)
    assert match is not None  # noqa: S101  the lexer gives nothing else
    signs_, letter, marks, length_text = match.groups()
    length = length_of(length_text)
    accidental = _ACCIDENTALS.get(signs_)
    octave = (5 if letter.islower() else 4) + marks.count("'") + marks.count("’") - marks.count(",")
    good = length is not None and (accidental is not None or not signs_) and -1 <= octave <= 9
    if signs_ and accidental is None:
        accidental = _ACCIDENTALS.get(signs_[-1])
    return Written(accidental, letter.upper(), min(max(octave, -1), 9), length or Fraction(1), good)


@lru_cache(maxsize=4096)
def length_of(text: str) -> Fraction | None:
    """Read a length in units: ``3/2``, ``/``, ``//``; None where it can't be one.

    >>> length_of(""), length_of("3/2"), length_of("//"), length_of("/0")
    (Fraction(1, 1), Fraction(3, 2), Fraction(1, 4), None)
    """
    match = _LENGTH.fullmatch(text)
    if match is None or match[4] or len(match[1]) > 4 or len(match[3]) > 4 or len(match[2]) > 10:
        return None
    above = int(match[1] or 1)
    below = int(match[3]) * 2 ** (len(match[2]) - 1) if match[3] else 2 ** len(match[2])
    if not 0 < below <= LONGEST or not 0 < above <= LONGEST:
        return None
    return Fraction(above, below)


@dataclass(frozen=True, slots=True)
class BarLine:
    """A bar line taken apart: repeats it ends and begins, and its double form where it has one.

    >>> bar_line("|:"), bar_line("::|"), bar_line(":||:").final, bar_line("|]").final
    (BarLine(ends=0, starts=1, final='', invisible=False), BarLine(ends=2, starts=0, final='', invisible=False), '', '|]')
    >>> bar_line("|:|||:").ends, bar_line(":|:|:").ends
    (0, 1)
    """

    ends: int
    starts: int
    final: str
    invisible: bool = False


@lru_cache(maxsize=512)
def bar_line(text: str) -> BarLine:
    """Take a bar line apart, liberally (section 4.8)."""
    text = text.lstrip(".")
    invisible = text == "[|]"
    text = text.replace("[|]", "") or "|"
    if not text.strip(":"):
        return BarLine(max(len(text) // 2, 1), max(len(text) // 2, 1), "")
    first = text[: len(text) - len(text.lstrip(":"))]
    last = text[len(text.rstrip(":")) :]
    middle = text[len(first) : len(text) - len(last)]
    ends, starts = len(first), len(last)
    if ":" in middle and not (ends or starts):  # |:| is |: and another stroke
        starts = 1
    elif (
        ":" in middle
    ):  # :|:|: ends and begins; |:|||: only begins, for nothing stands between its strokes to be repeated
        starts = max(starts, 1)
    final = ""
    if not (ends or starts):
        final = "|]" if "]" in middle else "||" if middle.count("|") > 1 or "[" in middle else ""
    return BarLine(ends, starts, final, invisible)
