"""Words in quotes, and what they say: a chord symbol, a jump to another place, the number of an ending."""

from __future__ import annotations

import re
from collections.abc import Iterable
from contextlib import suppress

from underbow.theory.chord import Chord

# Words over a note that are no chord, but were surely meant as one: "Hm", "B flat", "Gmj", "g".
MEANT_AS_CHORD = re.compile(
    r"[A-Ha-h](?:[#b♯♭]| ?(?:flat|sharp)\b)? ?(?:m|mi|min|minor|mj|maj|major|moll|dur|dim|aug|sus|add|[-+°ø#b/()0-9])*"
)
_NO_CHORD = re.compile(r"N\.?C\.?", re.IGNORECASE)
_JUMPS = (
    ("D.C.", re.compile(r"d\.?\s?c\.?|da\s?capo", re.IGNORECASE)),
    ("D.S.", re.compile(r"d\.?\s?s\.?|dal\s?segno", re.IGNORECASE)),
)
_PLAIN_JUMPS = {"fine": "fine", "fin": "fine", "segno": "segno", "coda": "coda", "tocoda": "to coda", "alcoda": "to coda",
                "dacoda": "D.C. al coda"}  # fmt: skip


def quoted_chord(words: str) -> tuple[Chord | None] | None:
    """Read quoted words as a chord symbol: the chord, or None for "no chord", in a tuple of one; None for other words.

    Of several in one symbol the first that is a chord counts.

    >>> [str(quoted_chord(words)[0]) for words in ("Am", "N.C.", "G;D7")], quoted_chord("slowly")
    (['Am', 'None', 'G'], None)
    """
    if _NO_CHORD.fullmatch(words):
        return (None,)
    for part in re.split(r"[;\n]|\\n", words):
        with suppress(ValueError):
            return (Chord.parse(part),)
    return None


def not_a_chord(words: str) -> str:
    """Say why words that look like a chord are none, with the cure.

    >>> not_a_chord("Hm")
    "not a chord: 'Hm'; the German H is B here: write Bm"
    """
    try:
        Chord.parse(words)
    except ValueError as fault:
        return str(fault)
    return ""


def ending_numbers(text: str) -> tuple[int, ...]:
    """Numbers of an ending: ``[1,3,5-7`` (section 4.10); empty where it can't be one."""
    found: list[int] = []
    for item in text.strip("[ \t.").split(","):
        first, dash, last = item.partition("-")
        if len(first) > 2 or len(last) > 2:
            return ()
        if first.isdigit():
            found += range(int(first), int(last) + 1) if dash and last.isdigit() else [int(first)]
    return tuple(dict.fromkeys(number for number in found if 0 < number < 100))


def jump_word(text: str) -> str:
    """Read a word that sends the player elsewhere; empty where it is none."""
    plain = re.sub(r"[\s.!<>]", "", text).lower()
    if plain in _PLAIN_JUMPS:
        return _PLAIN_JUMPS[plain]
    for name, form in _JUMPS:
        match = form.match(text)
        if match:
            tail = re.sub(r"[\s.]", "", text[match.end() :]).lower()
            if tail in ("", "alfine", "alfin"):
                return name
            if tail == "alcoda":
                return f"{name} al coda"
    return ""


def header_text(texts: dict[str, list[str]], letter: str) -> str:
    """First value of a text field."""
    return next((value for value in texts.get(letter, ()) if value), "")


def joined_text(values: Iterable[str]) -> str:
    """Values of a text field in one line."""
    return ", ".join(value for value in values if value)
