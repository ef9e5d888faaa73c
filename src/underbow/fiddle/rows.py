"""The rows of an accent grid as text: symbols told from spaces and bar lines, each fault with what to write instead."""

from __future__ import annotations

from collections.abc import Container, Mapping
from enum import StrEnum

from underbow.errors import Fault


class Row(StrEnum):
    """The three rows by their keys."""

    BOW = "bow"
    ACCENT = "accent"
    STRINGS = "strings"


MOST_BARS = 64  # in a grid
STARTS = "dux~"  # symbols that start a sound
SYMBOLS = {Row.BOW: "du-~x.", Row.ACCENT: "123456789.", Row.STRINGS: "=_^."}
_EXPECTED = {
    Row.BOW: "d (down-bow), u (up-bow), - (held), ~ (pulses again), x (chop) or . (rest)",
    Row.ACCENT: "1 to 9 where a sound starts, . elsewhere",
    Row.STRINGS: "= (both), _ (the lower) or ^ (the upper) where a sound starts, . elsewhere",
}
_NAME = {"d": "down-bow", "u": "up-bow", "x": "chop", ".": "rest", "-": "held cell"}
# What people write for it, and what they mean.
_MEANT = {
    Row.BOW: {
        "D": "d",
        "U": "u",
        "X": "x",
        "_": "-",
        "–": "-",
        "—": "-",
        "−": "-",
        "n": "d",
        "v": "u",
        "V": "u",
        "⊓": "d",
    },
    Row.ACCENT: {"-": ".", "0": "1 (the softest), or . where no sound starts", ">": "8 or 9"},
    Row.STRINGS: {"-": ".", "b": "=", "l": "_", "h": "^"},
}


def read_rows(cells: int, written: Mapping[Row, str | None], faults: list[Fault]) -> dict[Row, str]:
    """Clear the rows of spaces and bar lines; note what is no symbol, and bars too short or too long.

    Without a strings row every cell that starts a sound takes both.
    """
    rows = {}
    for key, text in written.items():
        bars = ["".join(bar.split()) for bar in (text or "").split("|")]
        if len(bars) > 1:
            bars = bars[not bars[0] : len(bars) - (not bars[-1])]  # a line before the first bar or after the last
            faults += [
                Fault(f"bar {number} has {_count(bar)}, expected {cells}; write one symbol a cell", where=key)
                for number, bar in enumerate(bars, start=1)
                if len(bar) != cells
            ]
        rows[key] = "".join(bars)
    if written[Row.STRINGS] is None:
        rows[Row.STRINGS] = "".join("=" if symbol in STARTS else "." for symbol in rows[Row.BOW])
    told = {fault.where for fault in faults}
    faults += [
        fault
        for fault in symbol_faults(cells, rows)
        if not (fault.where == Row.STRINGS and written[Row.STRINGS] is None)
        and not (fault.where in told and "cells" in fault.what)
    ]
    return rows


def symbol_faults(cells: int, rows: Mapping[Row, str]) -> list[Fault]:
    """Check each row by itself: that it has symbols, known ones, and fills its bars."""
    faults = []
    for key, row in rows.items():
        for symbol in dict.fromkeys(symbol for symbol in row if symbol not in SYMBOLS[key]):
            cure = f"; write {_MEANT[key][symbol]}" if symbol in _MEANT[key] else ""
            faults.append(Fault(f"found {symbol!r}, expected {_EXPECTED[key]}{cure}", where=key))
        if not row:
            faults.append(Fault(f"an empty row; write {cells} symbols a bar: {_EXPECTED[key]}", where=key))
        elif len(row) % cells:
            expected = (
                f"{cells}"
                if len(row) < cells
                else f"{cells} a bar ({-(-len(row) // cells) * cells} for {-(-len(row) // cells)} bars)"
            )
            faults.append(Fault(f"found {_count(row)}, expected {expected}; write one symbol a cell", where=key))
        elif len(row) > MOST_BARS * cells:
            faults.append(Fault(f"found {len(row) // cells} bars, expected at most {MOST_BARS}", where=key))
    return faults


def sense_faults(cells: int, rows: Mapping[Row, str], retake: bool, unreadable: Container[str]) -> list[Fault]:
    """Check that the bow can do what its row says, and that the other rows agree with it."""
    if Row.BOW in unreadable:
        return []
    faults = _bow_faults(cells, rows[Row.BOW], retake)
    for key in (Row.ACCENT, Row.STRINGS):
        if key not in unreadable:
            faults += _mark_faults(key, cells, rows[Row.BOW], rows[key])
    return faults


def _bow_faults(cells: int, bow: str, retake: bool) -> list[Fault]:
    if not any(symbol in "dux" for symbol in bow):
        return [Fault("no stroke in the whole grid; write d, u or x where one starts", where=Row.BOW)]
    faults = []
    before = ""
    for at, symbol in enumerate(bow):
        if symbol in "-~" and bow[at - 1] in "x.":
            faults.append(
                Fault(
                    f"{_place(at, cells)}: {symbol} carries a stroke on, but a {_NAME[bow[at - 1]]} comes before it; "
                    "write . for silence, or d or u for a new stroke",
                    where=Row.BOW,
                )
            )
        if symbol == before and symbol in "du" and not retake:
            other = "u" if symbol == "d" else "d"
            faults.append(
                Fault(
                    f"{_place(at, cells)}: a second {_NAME[symbol]} running; write {other} to turn the bow, ~ to pulse again "
                    "in the same stroke, or retake = true where the bow is lifted and set again",
                    where=Row.BOW,
                )
            )
        before = symbol if symbol in "dux" else before
    return faults


def _mark_faults(key: Row, cells: int, bow: str, row: str) -> list[Fault]:
    if len(row) != len(bow):
        return [Fault(f"found {_count(row)}, expected {len(bow)} as in bow; write one symbol a cell", where=key)]
    choice = {Row.ACCENT: "1 to 9", Row.STRINGS: "=, _ or ^"}[key]
    faults = []
    for at, (symbol, mark) in enumerate(zip(bow, row, strict=True)):
        if symbol in STARTS and mark == ".":
            faults.append(
                Fault(
                    f"{_place(at, cells)}: a sound starts here (bow {symbol}) without a mark; write {choice}", where=key
                )
            )
        elif symbol not in STARTS and mark != ".":
            faults.append(
                Fault(
                    f"{_place(at, cells)}: found {mark} on a {_NAME[symbol]}, where no sound starts; write .", where=key
                )
            )
    return faults


def _place(at: int, cells: int) -> str:
    return f"bar {at // cells + 1}, cell {at % cells + 1}"


def _count(row: str) -> str:
    return f"{len(row)} cell{'' if len(row) == 1 else 's'}" if row else "no cells"
