"""Pattern files: TOML tables checked key by key, every fault told in one go with what to write instead."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from underbow.errors import Fault, InputError, near_miss
from underbow.fiddle.grid import AccentGrid
from underbow.tables import is_sheet, read_table
from underbow.theory.meter import note_value

_KEYS = ("title", "aka", "meter", "cells", "bow", "accent", "strings", "swing", "retake", "tempo", "source", "about")
_REQUIRED = ("title", "meter", "cells", "bow", "accent", "tempo", "source", "about")
_TYPES: dict[str, tuple[type | tuple[type, ...], str]] = {
    "title": (str, 'text, such as "Shuffle"'),
    "aka": (list, 'a list of names, such as ["Nashville shuffle"]'),
    "meter": (str, 'a meter, such as "4/4"'),
    "cells": (int, "a whole number of cells a bar, such as 8"),
    "bow": (str, 'a row, such as "d - u d u - d u"'),
    "accent": (str, 'a row, such as "6 . 8 6 6 . 8 6"'),
    "strings": (str, 'a row, such as "= . = = = . = ="'),
    "swing": ((int, float), "a number, 0.5 (even) to 0.75"),
    "retake": (bool, "true or false"),
    "tempo": (dict, 'a table, such as { beat = "1/4", low = 70, high = 126 }'),
    "source": (str, 'the published source, or "common practice"'),
    "about": (str, "a line on how it is played"),
}
_BEATS = ("1/8", "3/16", "1/4", "3/8", "1/2", "3/4", "1/1")
_TEMPO_KEYS = ("beat", "low", "high")


@dataclass(frozen=True, slots=True)
class TempoRange:
    """Tempos at which a pattern is played: the beat in quarter notes, and beats a minute from low to high."""

    beat: Fraction
    low: int
    high: int

    def __str__(self) -> str:
        return f"{note_value(self.beat)} = {self.low} to {self.high}"


def read_entry(text: str, file: str) -> tuple[AccentGrid, TempoRange, dict[str, Any]]:
    """Read a pattern file's text; give its grid, its tempos and the whole table, all of the right types.

    Raises
    ------
    InputError
        With every fault, each naming the file and the key, in the order of the keys.
    """
    table = read_table(text, file)
    if is_sheet(table):
        raise InputError(Fault("a track sheet, not a pattern; make its audio with `underbow render`", file=file))
    faults = _key_faults(table)
    given = {key: value for key, value in table.items() if key not in {fault.where for fault in faults}}
    tempo = _tempo(given.get("tempo"), faults)
    grid = _grid(given, faults)
    if faults or grid is None or tempo is None:
        raise InputError(*(replace(fault, file=file) for fault in sorted(faults, key=_order)))
    return grid, tempo, given


def _key_faults(table: Mapping[str, Any]) -> list[Fault]:
    """Check which keys there are and what kind of value each has."""
    faults = [
        Fault(f"unknown key{near_miss(key, _KEYS) or '; the keys are ' + ', '.join(_KEYS)}", where=_plain(key))
        for key in table
        if key not in _KEYS
    ]
    faults += [Fault(f"missing; write {_TYPES[key][1]}", where=key) for key in _REQUIRED if key not in table]
    for key, value in table.items():
        if key not in _TYPES:
            continue
        kind, expected = _TYPES[key]
        wrong = not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool)
        if wrong or (key == "aka" and not all(isinstance(word, str) and word.strip() for word in value)):
            faults.append(Fault(f"found {_shown(value)}, expected {expected}", where=key))
        elif key in ("title", "source", "about") and not value.strip():
            faults.append(Fault(f"empty; write {expected}", where=key))
        elif kind in (str, list) and not all(_printable(word) for word in ([value] if kind is str else value)):
            faults.append(Fault(f"found {_shown(value)}, with a control character in it; write plain text", where=key))
    return faults


def _tempo(value: dict[str, Any] | None, faults: list[Fault]) -> TempoRange | None:
    if value is None:
        return None
    before = len(faults)
    faults += [
        Fault(
            f"unknown key{near_miss(key, _TEMPO_KEYS)}; the keys are beat, low and high", where=f"tempo.{_plain(key)}"
        )
        for key in value
        if key not in _TEMPO_KEYS
    ]
    beat, low, high = (value.get(key) for key in _TEMPO_KEYS)
    if beat not in _BEATS:
        faults.append(Fault(f"found {_shown(beat)}, expected a note value: {', '.join(_BEATS)}", where="tempo.beat"))
    for key, number in (("low", low), ("high", high)):
        if not isinstance(number, int) or isinstance(number, bool) or not 10 <= number <= 400:
            faults.append(
                Fault(
                    f"found {_shown(number)}, expected a whole number of beats a minute, 10 to 400",
                    where=f"tempo.{key}",
                )
            )
    if len(faults) > before or not isinstance(low, int) or not isinstance(high, int):
        return None
    if low > high:
        faults.append(Fault(f"low is {low} and high is {high}; write the slower tempo as low", where="tempo"))
        return None
    return TempoRange(4 * Fraction(str(beat)), low, high)


def _grid(given: Mapping[str, Any], faults: list[Fault]) -> AccentGrid | None:
    if not {"meter", "cells", "bow", "accent"} <= given.keys():
        return None
    rows = {key: given[key] for key in ("bow", "accent", "strings", "swing", "retake") if key in given}
    try:
        return AccentGrid.parse(given["meter"], given["cells"], **rows)
    except InputError as error:
        faults += error.faults
        return None


def _order(fault: Fault) -> int:
    key = fault.where.partition(".")[0]
    return _KEYS.index(key) if key in _KEYS else -1


def _shown(value: object) -> str:
    """Show a value as it might stand in the file, shortened, without what a terminal would obey."""
    text = "nothing" if value is None else f'"{value}"' if isinstance(value, str) else str(value)
    text = text.lower() if isinstance(value, bool) else _plain(text)
    return text if len(text) <= 60 else text[:59] + "…"


def _printable(text: str) -> bool:
    return all(part.isprintable() for part in text.split())


def _plain(text: str) -> str:
    return "".join(sign if sign.isprintable() else f"\\u{ord(sign):04x}" for sign in text)
