"""Pattern files: TOML tables checked key by key, every fault told in one go with what to write instead."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from fractions import Fraction
from typing import Any

from underbow.errors import Fault, InputError
from underbow.fiddle.grid import AccentGrid
from underbow.tables import is_sheet, read_table
from underbow.tables.keys import between, checked, entry, plain_text, subtable, whole, yes_or_no
from underbow.text import is_plain
from underbow.theory.meter import note_value


def _row(value: object) -> bool:
    return isinstance(value, str) and is_plain(value)


def _names(value: object) -> bool:
    return isinstance(value, list) and all(map(plain_text, value))


_BEATS = ("1/8", "3/16", "1/4", "3/8", "1/2", "3/4", "1/1")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class TempoTable:
    """``tempo = { ... }``: the tempos at which a pattern is played."""

    beat: str = entry(f"a note value: {', '.join(_BEATS)}", _BEATS)
    low: int = entry("a whole number of beats a minute, 10 to 400", whole(10, 400), also="slow start from min")
    high: int = entry("a whole number of beats a minute, 10 to 400", whole(10, 400), also="fast goal to max")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class PatternTable:
    """The whole pattern file."""

    title: str = entry('text, such as "Shuffle"', plain_text, also="name")
    aka: list[str] = entry('a list of names, such as ["Nashville shuffle"]', _names, factory=list, also="alias aliases")
    meter: str = entry('a meter, such as "4/4"', plain_text, also="time")
    cells: int = entry("a whole number of cells a bar, such as 8", whole())
    bow: str = entry('a row, such as "d - u d u - d u"', _row, also="bowing strokes")
    accent: str = entry('a row, such as "6 . 8 6 6 . 8 6"', _row, also="accents")
    strings: str | None = entry('a row, such as "= . = = = . = ="', _row, None)
    swing: float = entry("a number, 0.5 (even) to 0.75", between(-9, 9), 0.5)
    retake: bool = entry("true or false", yes_or_no, False)
    tempo: TempoTable = subtable(
        'a table, such as { beat = "1/4", low = 70, high = 126 }', TempoTable, also="speed bpm"
    )
    source: str = entry('the published source, or "common practice"', plain_text, "")
    about: str = entry("a line on how it is played", plain_text, "", also="description notes")


_KEYS = [key.name for key in fields(PatternTable)]


@dataclass(frozen=True, slots=True)
class TempoRange:
    """Tempos at which a pattern is played: the beat in quarter notes, and beats a minute from low to high."""

    beat: Fraction
    low: int
    high: int

    def __str__(self) -> str:
        return f"{note_value(self.beat)} = {self.low} to {self.high}"


def read_entry(text: str, file: str) -> tuple[AccentGrid, TempoRange, PatternTable]:
    """Read a pattern file's text; give its grid, its tempos and the whole table.

    Raises
    ------
    InputError
        With every fault, each naming the file and the key, in the order of the keys.
    """
    found = read_table(text, file)
    if is_sheet(found):
        raise InputError(Fault("a track sheet, not a pattern; make its audio with `underbow render`", file=file))
    given, faults = checked(PatternTable, found)
    tempo = _tempo(given.get("tempo"), faults)
    grid = _grid(given, faults)
    if faults or grid is None or tempo is None:
        raise InputError(*(replace(fault, file=file) for fault in sorted(faults, key=_order)))
    return grid, tempo, PatternTable(**given)


def _tempo(given: TempoTable | None, faults: list[Fault]) -> TempoRange | None:
    if given is None:
        return None
    if given.low > given.high:
        what = f"low is {given.low} and high is {given.high}; write the slower tempo as low"
        faults.append(Fault(what, where="tempo"))
        return None
    return TempoRange(4 * Fraction(given.beat), given.low, given.high)


def _grid(given: Mapping[str, Any], faults: list[Fault]) -> AccentGrid | None:
    if not {"meter", "cells", "bow", "accent"} <= given.keys():
        return None
    rows = {name: given[name] for name in ("bow", "accent", "strings", "swing", "retake") if name in given}
    try:
        return AccentGrid.parse(given["meter"], given["cells"], **rows)
    except InputError as error:
        faults += error.faults
        return None


def _order(fault: Fault) -> int:
    name = fault.where.partition(".")[0]
    return _KEYS.index(name) if name in _KEYS else -1
