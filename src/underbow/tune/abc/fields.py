"""The information fields of ABC that bear on sound: K: M: L: Q: P: U: (standard 2.1, section 3)."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from fractions import Fraction

from underbow.text import one_line
from underbow.theory.key import MODES, Key
from underbow.theory.meter import Meter, Tempo
from underbow.theory.pitch import PitchClass

MOST_PARTS = 1000
_KEY = re.compile(r"([A-Ga-g])([#b♯♭]?)\s*(exp\b|[A-Za-z]*)(.*)", re.DOTALL)
_ACCIDENTAL = re.compile(r"(\^\^|\^|__|_|=)([A-Ga-g])(?![A-Za-z0-9=])")  # a space before it is not needed
_CLEFS = re.compile(r"(?:treble|alto|tenor|bass|perc|none)\d?(?:[+-]8)?|[+-]8")
_OCTAVE = re.compile(r"(?<![\w])(?:clef=)?(?:[a-z]+\d?)?([+-])8\b")
_SETTINGS = re.compile(  # name=value; but not a key with a natural, D=c or Dmin=b
    r"\b(?![A-Ga-g][#b♯♭]?(?:m|exp|(?:maj|min|mix|dor|phr|lyd|loc|ion|aeo)[a-z]*)?=[A-Ga-g](?![A-Za-z]))\w+=\S*",
    re.IGNORECASE,
)
_SETTING = re.compile(r"\b(octave|transpose)\s*=\s*(-?\d{1,2})\b")
_WORDS = ("up", "down", "merge", "stem", "stems")  # print only
_ALTER = {"^^": 2, "^": 1, "__": -2, "_": -1, "=": 0}
_FRACTION = re.compile(r"(\d{1,4})\s*/\s*(\d{1,4})")
_QUOTED = re.compile(r'"[^"]*"?')
_TEX = (  # compiled where one stands in a title
    r"\\(?:(['`^\"~=.])\{?([A-Za-z])\}?|([uvHc])\{?([A-Za-z])\}?|(ss|ae|AE|oe|OE|aa|AA|o/|O/|/o|/O|th|TH|dh|DH))"
)
_MARKS = {"'": "\u0301", "`": "\u0300", "^": "\u0302", '"': "\u0308", "~": "\u0303", "=": "\u0304", ".": "\u0307",
          "u": "\u0306", "v": "\u030c", "H": "\u030b", "c": "\u0327"}  # fmt: skip
_LIGATURES = {"ss": "ß", "ae": "æ", "AE": "Æ", "oe": "œ", "OE": "Œ", "aa": "å", "AA": "Å", "o/": "ø", "/o": "ø", "O/": "Ø",
              "/O": "Ø", "th": "þ", "TH": "Þ", "dh": "ð", "DH": "Ð"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class KeyField:
    """What a K: line says: the key (None where it only sets a clef), the shift in semitones, and what made no sense."""

    key: Key | None
    octaves: int = 0
    semitones: int = 0
    odd: str = ""


def key_field(value: str, before: Key) -> KeyField:
    """Read a K: line (section 3.1.14 and 4.6).

    >>> str(key_field("D Phr ^f", Key.parse("C")).key), key_field("D =c", Key.parse("C")).key.alteration("C")
    ('Dphr', 0)
    >>> [key_field("D exp _b _e ^f", Key.parse("C")).key.alteration(letter) for letter in "BCEF"]
    [-1, 0, -1, 1]
    >>> str(key_field("Dm^c", Key.parse("C")).key), key_field("Dm^c", Key.parse("C")).key.alteration("C")
    ('Dm', 1)
    """
    value = value.strip()
    octaves, semitones = _shift(value)
    rest = _SETTINGS.sub(" ", value)
    altered = {letter.upper(): _ALTER[sign] for sign, letter in _ACCIDENTAL.findall(rest)}
    rest = _ACCIDENTAL.sub(" ", rest).strip()
    key, odd = _named(rest, altered, before) if rest else (None, "")
    if not value or (key is None and altered):  # an empty K: has no signature; accidentals alone change the key before
        key = _key(before.tonic, before.mode, dict(before.altered) | altered) if value else Key(PitchClass("C"))
    return KeyField(key, octaves, semitones, odd)


def _shift(value: str) -> tuple[int, int]:
    """Octaves and semitones that a clef and its settings move the notes by (section 4.6)."""
    octaves, semitones = 0, 0
    for name, number in _SETTING.findall(value):
        if name == "octave":
            octaves += max(-4, min(4, int(number)))
        else:
            semitones += max(-36, min(36, int(number)))
    for sign in _OCTAVE.findall(value):
        octaves += 1 if sign == "+" else -1
    return octaves, semitones


def _named(rest: str, altered: dict[str, int], before: Key) -> tuple[Key | None, str]:
    """Read a key's name: the key, None where there is none, and what made no sense."""
    if rest.startswith(
        ("HP", "Hp")
    ):  # the pipes sound F sharp and C sharp, whether the signature is printed (Hp) or not
        return _key(PitchClass("A"), "mixolydian", altered), ""
    if rest.lower().startswith("none"):
        return _key(PitchClass("C"), "major", altered), ""
    match = _KEY.fullmatch(rest)
    if match is None or _is_setting(rest.split(maxsplit=1)[0]):
        return None, "" if _is_setting(rest.split(maxsplit=1)[0]) else rest
    tonic = PitchClass.parse(match[1] + match[2])
    word = match[3]
    if word == "exp":
        return _key(tonic, "major", dict.fromkeys("CDEFGAB", 0) | altered), ""
    mode = _mode(word)
    # A bare M is minor, for capitals do not count (section 3.1.14); but it may have been meant otherwise.
    odd = word if word == "M" or (mode is None and not _is_setting(word)) else ""
    odd = odd or next((extra for extra in match[4].split() if not _is_setting(extra)), "")
    try:
        return _key(tonic, mode or "major", altered), odd
    except ValueError:
        return None, rest


def _is_setting(word: str) -> bool:
    return bool(_CLEFS.fullmatch(word)) or word in _WORDS


def _mode(word: str) -> str | None:
    if not word:
        return "major"
    if word in ("m", "M"):
        return "minor"
    three = word[:3].lower()
    if len(three) < 3:
        return None
    return {"ion": "major", "aeo": "minor"}.get(three) or next((mode for mode in MODES if mode[:3] == three), None)


def _key(tonic: PitchClass, mode: str, altered: dict[str, int]) -> Key:
    plain = Key(tonic, mode)
    own = tuple((letter, alter) for letter, alter in sorted(altered.items()) if plain.alteration(letter) != alter)
    return Key(tonic, mode, own)


def meter_field(value: str) -> Meter | None:
    """Read an M: line; None for free meter (section 3.1.6). Raises ValueError for what is none.

    >>> str(meter_field("(2+3+2)/8")), meter_field("none")
    ('(2+3+2)/8', None)
    """
    value = value.strip()
    if value.lower() in ("none", ""):
        return None
    return Meter.parse(value)


def default_unit(meter: Meter | None) -> Fraction:
    """Unit note length in quarters where no L: is written (section 3.1.7).

    >>> default_unit(Meter.parse("2/4")), default_unit(Meter.parse("6/8"))
    (Fraction(1, 4), Fraction(1, 2))
    """
    if meter is None or meter.bar >= 3:
        return Fraction(1, 2)
    return Fraction(1, 4)


def unit_field(value: str) -> Fraction:
    """Read an L: line in quarters; raise ValueError for what is none.

    >>> unit_field("1/8"), unit_field("1")
    (Fraction(1, 2), Fraction(4, 1))
    """
    value = value.strip()
    match = _FRACTION.fullmatch(value)
    if value == "1":
        return Fraction(4)
    if match is None or not int(match[1]) or not 0 < int(match[2]) <= 1024:
        raise ValueError(f"not a note length: {value!r}; write one such as 1/8")
    return Fraction(4 * int(match[1]), int(match[2]))


def tempo_field(value: str, unit: Fraction) -> Tempo | None:
    """Read a Q: line (sections 3.1.8 and 10.1); None where it is words only. Raises ValueError for what is none.

    >>> str(tempo_field('"Lively" 3/8=120', Fraction(1, 2))), str(tempo_field("160", Fraction(1, 2)))
    ('3/8 = 120', '1/8 = 160')
    """
    text = _QUOTED.sub(" ", value).strip()
    if not text:
        return None
    left, equals, right = text.rpartition("=")
    number = re.fullmatch(r"\d{1,4}(?:\.\d{1,3})?", right.strip())
    if number is None or not Fraction(number[0]):
        raise ValueError(f"not a tempo: {value.strip()!r}; write one such as Q:1/4=120")
    beat = unit
    if equals:
        lengths = _FRACTION.findall(left)
        if lengths and all(int(above) and int(below) for above, below in lengths):
            beat = sum((Fraction(4 * int(above), int(below)) for above, below in lengths), Fraction(0))
        elif many := re.fullmatch(r"[A-Ga-g]\s*(\d{0,2})(/\d{1,2})?", left.strip()):
            beat = unit * Fraction(int(many[1] or 1), int((many[2] or "/1")[1:]) or 1) or unit
        else:
            raise ValueError(f"not a tempo: {value.strip()!r}; write one such as Q:1/4=120")
    return Tempo(Fraction(number[0]), beat)


def parts_field(value: str) -> tuple[str, ...]:
    """Expand the order of the parts (section 3.1.9); raise ValueError where it can't be read.

    >>> "".join(parts_field("((AB)3.(CD)3)2")), "".join(parts_field("A3B"))
    ('ABABABCDCDCDABABABCDCDCD', 'AAAB')
    """
    text = re.sub(r"[.\s]", "", value)
    stack: list[list[str]] = [[]]
    last: list[str] = []
    for item in re.findall(r"\d+|.", text):
        if item == "(":
            stack.append([])
            last = []
            continue
        if item == ")":
            if len(stack) == 1:
                raise ValueError(f"the order of parts {value.strip()!r} closes a bracket that it did not open")
            last = stack.pop()
            stack[-1] += last
        elif item.isdigit():
            if not last:
                raise ValueError(f"the order of parts {value.strip()!r} has a number with nothing before it")
            times = int(item) if len(item) < 5 else MOST_PARTS + 1
            if len(stack[-1]) + len(last) * times > MOST_PARTS:
                raise ValueError(f"the order of parts {value.strip()!r} is longer than {MOST_PARTS} parts")
            stack[-1] += last * (times - 1)
            last = []
        elif item.isalpha():
            last = [item]
            stack[-1].append(item)
        else:
            raise ValueError(f"the order of parts {value.strip()!r} has a sign that is no part: {item!r}")
    if len(stack) > 1:
        raise ValueError(f"the order of parts {value.strip()!r} opens a bracket that it does not close")
    return tuple(stack[0])


def plain_text(value: str) -> str:
    r"""Read a title or a name: TeX accents and entities become letters (section 8.2), control characters go.

    >>> plain_text(r"Se\'an \"Og &eacute;")
    'Seán Ög é'
    """
    if "\\" in value:
        value = re.sub(_TEX, _accent, value).replace("\\%", "%").replace("\\\\", "\\")
    if "&" in value:
        import html  # noqa: PLC0415  2,231 names, which hardly a title needs

        value = html.unescape(value)
    return one_line(value)


def _accent(match: re.Match[str]) -> str:
    if match[5]:
        return _LIGATURES[match[5]]
    mark, letter = match[1] or match[3], match[2] or match[4]
    return unicodedata.normalize("NFC", letter + _MARKS[mark])
