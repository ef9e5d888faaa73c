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
MOST_TOLD = 4  # faults of one row
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
    Row.BOW: dict(zip("DUX_–—−nvV⊓", "dux----duud", strict=True)),
    Row.ACCENT: {"-": ".", "0": "1 (the softest), or . where no sound starts", ">": "8 or 9"},
    Row.STRINGS: {"-": ".", "b": "=", "l": "_", "h": "^"},
}


def read_rows(cells: int, written: Mapping[Row, str | None], faults: list[Fault]) -> dict[Row, str]:
    """Clear the rows of spaces and bar lines; note what is no symbol, and bars too short or too long.

    Without a strings row every cell that starts a sound takes both.
    """
    rows = {}
    for key, text in written.items():
        if text is not None:
            bars = ["".join(bar.split()) for bar in text.split("|")]
            if len(bars) > 1:  # a line may stand before the first bar and after the last
                bars = bars[not bars[0] : len(bars) - (not bars[-1])]
            rows[key] = "".join(bars)
            faults += _symbol_faults(key, rows[key]) + _length_faults(key, bars, cells)
    if Row.STRINGS not in rows:
        rows[Row.STRINGS] = "".join("=" if symbol in STARTS else "." for symbol in rows[Row.BOW])
    return rows


def row_faults(cells: int, rows: Mapping[Row, str]) -> list[Fault]:
    """Check each row by itself: that it has known symbols only and fills its bars."""
    return [
        fault for key, row in rows.items() for fault in _symbol_faults(key, row) + _length_faults(key, [row], cells)
    ]


def sense_faults(cells: int, rows: Mapping[Row, str], retake: bool, unreadable: Container[str]) -> list[Fault]:
    """Check that the bow can do what its row says, and that the other rows agree with it."""
    if Row.BOW in unreadable:
        return []
    if not any(symbol in "dux" for symbol in rows[Row.BOW]):
        return [Fault("no stroke in the whole grid; write d, u or x where one starts", where=Row.BOW)]
    faults = _few(_bow_faults(cells, rows[Row.BOW], retake))
    for key in (Row.ACCENT, Row.STRINGS):
        if key not in unreadable:
            faults += _few(_mark_faults(key, cells, rows[Row.BOW], rows[key]))
    return faults


def _few(faults: list[Fault]) -> list[Fault]:
    """Keep the first faults of a row: one cell too many moves all that follow it."""
    if len(faults) <= MOST_TOLD:
        return faults
    rest = len(faults) - MOST_TOLD + 1
    return [
        *faults[: MOST_TOLD - 1],
        Fault(f"and {rest} more like it; is the row shifted?", where=faults[0].where),
    ]


def _symbol_faults(key: Row, row: str) -> list[Fault]:
    faults = []
    for symbol in dict.fromkeys(symbol for symbol in row if symbol not in SYMBOLS[key]):
        cure = f"; write {_MEANT[key][symbol]}" if symbol in _MEANT[key] else ""
        faults.append(Fault(f"found {symbol!r}, expected {_EXPECTED[key]}{cure}", where=key))
    return _few(faults)


def _length_faults(key: Row, bars: list[str], cells: int) -> list[Fault]:
    """Check that a row fills its bars; several only where it is written with bar lines."""
    size = sum(map(len, bars))
    if size == 0:
        return [Fault(f"an empty row; write {cells} symbols a bar: {_EXPECTED[key]}", where=key)]
    if size > MOST_BARS * cells:
        return [Fault(f"found {_count(size)}, expected at most {MOST_BARS} bars of {cells}", where=key)]
    if len(bars) > 1:
        return _few(
            [
                Fault(f"bar {number} has {_count(len(bar))}, expected {cells}; write one symbol a cell", where=key)
                for number, bar in enumerate(bars, start=1)
                if len(bar) != cells
            ]
        )
    if size % cells:
        whole = "" if size < cells else f" a bar, {-(-size // cells) * cells} in {-(-size // cells)}"
        return [Fault(f"found {_count(size)}, expected {cells}{whole}; write one symbol a cell", where=key)]
    return []


def _bow_faults(cells: int, bow: str, retake: bool) -> list[Fault]:
    faults = []
    before = ""
    for cell, symbol in enumerate(bow):
        if symbol in "-~" and bow[cell - 1] in "x.":
            faults.append(
                Fault(
                    f"{_place(cell, cells)}: {symbol} carries a stroke on, but a {_NAME[bow[cell - 1]]} comes before it; "
                    "write . for silence, or d or u for a new stroke",
                    where=Row.BOW,
                )
            )
        if symbol == before and symbol in "du" and not retake:
            other = "u" if symbol == "d" else "d"
            faults.append(
                Fault(
                    f"{_place(cell, cells)}: a second {_NAME[symbol]} in a row; write {other} to turn the bow, ~ to pulse again "
                    "in the same stroke, or retake = true where the bow is lifted and set again",
                    where=Row.BOW,
                )
            )
        before = symbol if symbol in "dux" else before
    return faults


def _mark_faults(key: Row, cells: int, bow: str, row: str) -> list[Fault]:
    if len(row) != len(bow):
        return [Fault(f"found {_count(len(row))}, expected {len(bow)} as in bow; write one symbol a cell", where=key)]
    choice = {Row.ACCENT: "1 to 9", Row.STRINGS: "=, _ or ^"}[key]
    faults = []
    for cell, (symbol, mark) in enumerate(zip(bow, row, strict=True)):
        if symbol in STARTS and mark == ".":
            faults.append(
                Fault(
                    f"{_place(cell, cells)}: a sound starts here (bow {symbol}) without a mark; write {choice}",
                    where=key,
                )
            )
        elif symbol not in STARTS and mark != ".":
            faults.append(
                Fault(
                    f"{_place(cell, cells)}: found {mark} on a {_NAME[symbol]}, where no sound starts; write .",
                    where=key,
                )
            )
    return faults


def _place(cell: int, cells: int) -> str:
    return f"bar {cell // cells + 1}, cell {cell % cells + 1}"


def _count(cells: int) -> str:
    return f"{cells} cell{'' if cells == 1 else 's'}" if cells else "no cells"
