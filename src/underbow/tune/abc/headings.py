"""What a tunebook's list says of each tune, from its header alone: a book is looked through without reading its notes."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from functools import lru_cache

from underbow.theory.key import Key
from underbow.tune.abc.fields import key_field, meter_field, plain_text
from underbow.tune.abc.text import Line, TuneText, field_of, tunes_of
from underbow.tune.tune import Heading

_WANTED = "XTRMK"


def headings(text: str) -> tuple[Heading, ...]:
    r"""List every tune of an ABC text, without reading its music.

    >>> for tune in headings("X:3\nT:One\nR:jig\nM:6/8\nK:Ador\nA3|\n\nX:4\nT:Two\nK:G\ng4|"):
    ...     print(tune.number, tune.title, tune.rhythm, tune.meter, tune.key)
    3 One jig 6/8 Ador
    4 Two   G
    """
    return tuple(map(_heading, tunes_of(text, headers_only=True)))


def first_field(text: TuneText, letter: str) -> str:
    """Give the first value of a field, before the music is read; empty where there is none."""
    return _first(text.lines).get(letter, "")


def number_of(value: str) -> int:
    """Read an ``X:`` line; 1 where it is no number."""
    return int(value) if value.isdecimal() and len(value) < 10 else 1


def _heading(text: TuneText) -> Heading:
    # The file's own header counts for all of its tunes.
    said = {letter: value for letter, value in _first(text.header).items() if letter in "RM"} | _first(text.lines)
    return Heading(
        number_of(said.get("X", "")),
        plain_text(said.get("T", "")),
        plain_text(said.get("R", "")).lower(),
        _meter(said.get("M", "")),
        _key(said["K"]) if "K" in said else "",
    )


def _first(lines: Iterable[Line]) -> dict[str, str]:
    out: dict[str, str] = {}
    for line in lines:
        found = field_of(line.text)
        if found and found[0] in _WANTED:
            out.setdefault(found[0], found[1].strip())
    return out


@lru_cache(maxsize=1000)
def _meter(value: str) -> str:
    with suppress(ValueError):
        meter = meter_field(value)
        return "" if meter is None else str(meter)
    return ""


@lru_cache(maxsize=1000)
def _key(value: str) -> str:
    return str(key_field(value, Key.parse("C")).key or "C")
