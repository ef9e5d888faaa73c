"""The bow drawn by hand: rows tried as they are changed, patterns to choose from, and one's own kept as a file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import tomlkit

from underbow.errors import Fault, InputError
from underbow.fiddle.drawing.grid_svg import draw_grid_svg
from underbow.fiddle.grid import AccentGrid
from underbow.fiddle.pattern import Pattern, default_pattern, find_pattern, library, suited_to
from underbow.fiddle.pattern_file import TempoRange
from underbow.theory.meter import Meter, note_value
from underbow.track.sheet.model import Sheet

__all__ = ["TRIAL_BARS", "Rows", "drawn", "fitting", "pattern_text", "read_rows", "trial_sheet", "tried"]

TRIAL_BARS = 2  # that a bowing is heard for at a touch


@dataclass(frozen=True, slots=True)
class Rows:
    """An accent grid as the page sends it, not checked yet."""

    meter: str
    cells: int
    bow: str
    accent: str
    strings: str
    swing: float = 0.5
    retake: bool = False

    def grid(self) -> AccentGrid:
        """Make the grid; InputError with every problem where the bow can't do it."""
        return AccentGrid.parse(
            self.meter, self.cells, self.bow, self.accent, self.strings, swing=self.swing, retake=self.retake
        )


def read_rows(written: object) -> Rows:
    """Read the rows of a request; InputError where they are none.

    >>> read_rows({"meter": "2/4", "cells": 2, "bow": "du", "accent": "86", "strings": "=="}).grid().written("bow")
    'd u'
    """
    if not isinstance(written, dict):
        raise InputError("the rows of a bowing are needed")
    texts = [written.get(key) for key in ("meter", "bow", "accent", "strings")]
    cells, swing = written.get("cells"), written.get("swing", 0.5)
    whole = isinstance(cells, int) and not isinstance(cells, bool)
    share = isinstance(swing, int | float) and not isinstance(swing, bool)
    if not all(isinstance(text, str) and len(text) <= 10_000 for text in texts) or not whole or not share:
        raise InputError("the rows of a bowing are needed")
    return Rows(
        str(texts[0]),
        int(written["cells"]),
        str(texts[1]),
        str(texts[2]),
        str(texts[3]),
        float(swing),
        bool(written.get("retake")),
    )


def tried(rows: Rows, *, narrow: bool = False) -> dict[str, Any]:
    """Draw the rows, on a narrow paper a bar to a line, or say why the bow can't do it.

    Returns
    -------
    dict
        ``{"svg", "problems": [{"row", "cell", "what"}]}``.
    """
    try:
        grid = rows.grid()
    except InputError as wrong:
        return {"svg": "", "problems": [_problem(fault, rows.cells) for fault in wrong.faults]}
    return {"svg": draw_grid_svg(_pattern(grid, ""), columns=1 if narrow else 2), "problems": []}


def _problem(fault: Fault, cells: int) -> dict[str, Any]:
    """Say where in the row: "bar 1, cell 3: ..." is what the rows' reader writes."""
    place, _, what = fault.what.partition(": ")
    words = place.replace(",", "").split()
    if what and len(words) == 4 and words[0] == "bar" and words[2] == "cell":
        return {"row": fault.where, "cell": (int(words[1]) - 1) * cells + int(words[3]) - 1, "what": what}
    return {"row": fault.where, "cell": None, "what": fault.what}


def fitting(meter: Meter, dance: str = "") -> list[dict[str, Any]]:
    """Draw the library's patterns that can be laid under a meter: for the dance, for any dance, for others.

    Each group begins with the one that is laid there where none is chosen, if it is in it.
    """
    first = default_pattern(meter, dance).name
    groups: dict[str, list[Pattern]] = {"dance": [], "any": [], "other": []}
    for pattern in sorted(library().values(), key=lambda one: one.name != first):
        if pattern.suits(meter):
            groups[suited_to(pattern.name, dance)].append(pattern.fitted(meter))
    return [drawn(pattern) | {"suits": group} for group, patterns in groups.items() for pattern in patterns]


def drawn(pattern: Pattern, file: str | None = None) -> dict[str, Any]:
    """Draw a pattern to choose; one of the teacher's own goes by its file."""
    return {
        "name": file or pattern.name,
        "own": file is not None,
        "title": pattern.title,
        "about": pattern.about,
        "svg": draw_grid_svg(pattern),
        "tempo": [pattern.tempo.low, pattern.tempo.high],
        "beat": note_value(pattern.tempo.beat),
    }


def trial_sheet(sheet: Sheet, wanted: Mapping[str, Any]) -> Sheet:
    """Let a sheet's backup play other rows (``rows``), or a pattern of the library (``pattern``).

    Raises
    ------
    InputError
        Where the bow can't do it, or there is no such pattern.
    """
    rows = wanted.get("rows")
    pattern = find_pattern(str(wanted["pattern"])[:100]) if rows is None else _pattern(read_rows(rows).grid(), "")
    fitted = pattern.fitted(sheet.tune.meter)
    return replace(sheet, patterns=tuple((section, fitted) for section, _ in sheet.patterns))


def _pattern(grid: AccentGrid, title: str) -> Pattern:
    return Pattern("own", title, (), grid, TempoRange(grid.meter.beat, 40, 160), "own", "")


def pattern_text(title: str, rows: Rows, like: Mapping[str, Any] | None = None) -> str:
    """Write a pattern file for rows that the bow can do.

    Parameters
    ----------
    title : str
    rows : Rows
    like : mapping, optional
        ``beat`` (quarters), ``low`` and ``high`` of the pattern that it was made from.

    Raises
    ------
    InputError
        With every problem of the rows.

    >>> print(pattern_text("My saw", Rows("2/4", 4, "dudu", "8676", "====")), end="")
    title = "My saw"
    meter = "2/4"
    cells = 4
    bow = "d u d u"
    accent = "8 6 7 6"
    strings = "= = = ="
    tempo = {beat = "1/4", low = 60, high = 120}
    source = "own"
    """
    grid = rows.grid()
    tempo = {"beat": Fraction(1), "low": 60, "high": 120, **(like or {})}
    if like is None:
        tempo["beat"] = grid.meter.beat
    document = tomlkit.document()
    document["title"] = " ".join(title.split())[:100] or "My own bowing"
    document["meter"] = str(grid.meter)
    document["cells"] = grid.cells
    for row in ("bow", "accent", "strings"):
        document[row] = grid.written(row)
    if grid.swing != 0.5:
        document["swing"] = grid.swing
    if grid.retake:
        document["retake"] = True
    line = tomlkit.inline_table()
    line.update({"beat": note_value(Fraction(tempo["beat"])), "low": int(tempo["low"]), "high": int(tempo["high"])})
    document["tempo"] = line
    document["source"] = "own"
    return tomlkit.dumps(document)
