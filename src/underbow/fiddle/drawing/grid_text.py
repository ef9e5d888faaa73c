"""A pattern drawn for the terminal, read aloud, and as data.

The picture needs no colour and fits 80 columns: accents as columns of blocks, the bow marks under them, the strings, and the
count. Unicode has the engraver's bow marks (U+1D1AA and U+1D1AB), but hardly a terminal font does; ⊓ (U+2293) and V are what
players pencil over a part, and common fonts have both.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from fractions import Fraction
from itertools import groupby
from typing import Any

from underbow.fiddle.grid import AccentGrid, Stroke
from underbow.fiddle.pattern import Pattern
from underbow.theory.meter import Meter, beat_words

MARK = {"d": "⊓", "u": "V", "x": "x", "~": "~", "-": "─", ".": " "}
_TURNED = {"d": "u", "u": "d"}
_BLOCKS = " ▁▂▃▄▅▆▇█"
_ROWS = 3  # text rows of the accent columns
_SPOKEN = {"d": "down", "u": "up", "x": "chop", "-": "hold", "~": "push", ".": "rest"}
_MARGIN = 9  # columns of the row names


def draw(pattern: Pattern, width: int = 80) -> str:
    """Draw a pattern: title, grid, the line to read aloud, tempos, source and how it is played.

    Parameters
    ----------
    pattern : Pattern
    width : int
        Columns, at least 40.

    >>> from underbow.fiddle.pattern import find_pattern
    >>> print(draw(find_pattern("georgia-shuffle")).split("read aloud")[0].rstrip())
    Georgia shuffle  (georgia-shuffle)
    also called Georgia bow, slur three, bow one
    4/4, 8 cells a bar
    <BLANKLINE>
             │        ██  ▃▃          ██  ▃▃  │
      accent │        ██  ██          ██  ██  │
             │        ██  ██          ██  ██  │
         bow │─────── ⊓   V────────── ⊓   V───│
     strings │        =   =           =   =   │
       count │1   &   2   &   3   &   4   &   │
    """
    grid = pattern.grid
    lines = _filled(f"{pattern.title}  ({pattern.name})", width)
    if pattern.aka:
        lines += _filled("also called " + ", ".join(pattern.aka), width)
    facts = f"{grid.meter}, {grid.cells} cell{'s' * (grid.cells > 1)} a bar" + (f", {grid.bars} bars" * (grid.bars > 1))
    if grid.swing > 0.5:
        facts += f", swung: the first of each pair takes {grid.swing:.0%}"
    lines += [facts, ""]
    lines += _picture(grid, width)
    marks = [f"{MARK['d']} down-bow", f"{MARK['u']} up-bow"]
    marks += ["─ held"] * ("-" in grid.bow) + ["~ the same bow pulses again"] * ("~" in grid.bow)
    marks += ["x chop"] * ("x" in grid.bow)
    notes = [
        ("read aloud", spoken(grid)),
        ("", "(a word a cell, a comma after each beat)"),
        ("marks", ", ".join(marks)),
        ("strings", "= both, _ the lower alone, ^ the upper alone"),
        (
            "start",
            "the first cell carries on from the bar before; from rest, begin with a stroke" * (grid.bow[0] in "-~"),
        ),
        ("next time", "odd number of strokes: the bowing reverses each time round" * grid.flips),
        (
            "tempo",
            f"{beat_words(pattern.tempo.beat)} = {pattern.tempo.low} to {pattern.tempo.high}",
        ),
        ("source", pattern.source),
    ]
    lines.append("")
    for name, text in notes:
        if text:
            lines += _filled(f"{name:12}{text}", width, 12)
    about = ["", *_filled(pattern.about, width)] if pattern.about else []
    return "\n".join([*lines, *about])


def list_text(patterns: Sequence[Pattern], width: int = 80) -> str:
    """List patterns, a line each: name, meter, bow row, cut where it goes beyond the width; those of one meter together.

    >>> from underbow.fiddle.pattern import find_pattern
    >>> print(list_text([find_pattern("slip-jig"), find_pattern("georgia-shuffle")]))
    georgia-shuffle  4/4  - - d u - - d u
    <BLANKLINE>
    slip-jig         9/8  d - u d - u d - u
    """
    size = max((len(pattern.name) for pattern in patterns), default=0)
    meters = max((len(str(pattern.grid.meter)) for pattern in patterns), default=0)
    lines: list[str] = []
    for meter, group in groupby(sorted(patterns, key=_by_meter), key=lambda pattern: str(pattern.grid.meter)):
        if lines:
            lines.append("")
        for pattern in group:
            row = pattern.grid.written("bow")
            room = max(width - size - meters - 4, 8)
            row = row if len(row) <= room else textwrap.shorten(row, room, placeholder=" …")
            lines.append(f"{pattern.name:{size}}  {meter:{meters}}  {row}")
    return "\n".join(lines)


def spoken(grid: AccentGrid) -> str:
    """Put a grid into words, one a cell so that it can be said in time: a comma after each beat, a line after each bar.

    >>> from underbow.fiddle.pattern import find_pattern
    >>> spoken(find_pattern("nashville-shuffle").grid)
    'down hold, up down, up hold, down up'
    >>> spoken(find_pattern("slow-air").grid)
    'down, hold, hold, hold | up, hold, hold, hold'
    """
    beats = {beat / grid.cell for beat in grid.meter.beats}
    said = ""
    for cell, symbol in enumerate(grid.bow):
        before = "" if cell == 0 else " | " if cell % grid.cells == 0 else ", " if cell % grid.cells in beats else " "
        said += before + _SPOKEN[symbol]
    return said


def pattern_json(pattern: Pattern) -> dict[str, Any]:
    """Give a pattern as data for ``--json``: the rows as written, the strokes with quarters as strings such as "1/2".

    >>> from underbow.fiddle.pattern import find_pattern
    >>> pattern_json(find_pattern("polka"))["strokes"][0]["pulses"][1]
    {'start': '1/2', 'length': '1/2', 'level': 0.0, 'strings': 'both'}
    """
    grid = pattern.grid
    return {
        "name": pattern.name,
        "title": pattern.title,
        "aka": list(pattern.aka),
        "meter": str(grid.meter),
        "cells": grid.cells,
        "bars": grid.bars,
        "bow": grid.written("bow"),
        "accent": grid.written("accent"),
        "strings": grid.written("strings"),
        "swing": grid.swing,
        "retake": grid.retake,
        "tempo": {"beat": str(pattern.tempo.beat / 4), "low": pattern.tempo.low, "high": pattern.tempo.high},
        "strokes": [_stroke_json(stroke) for stroke in grid.strokes()],
        "spoken": spoken(grid),
        "source": pattern.source,
        "about": pattern.about,
    }


def count(meter: Meter, cells: int) -> list[str]:
    """Give the count under each cell of a bar.

    Beats are counted with "e & a" between them where they divide in four or two, with "la li" in three; jigs and
    their kin are counted through, 1 to 6, as are cells that no count fits.

    >>> " ".join(count(Meter.parse("4/4"), 8)), " ".join(count(Meter.parse("6/8"), 6))
    ('1 & 2 & 3 & 4 &', '1 2 3 4 5 6')
    >>> " ".join(count(Meter.parse("2/2"), 8))
    '1 & 2 & 3 & 4 &'
    """
    units = sum(meter.groups)
    if units == 2 and meter.unit == 2 and cells % 4 == 0:
        units = 4  # fiddlers count cut time in quarters when they learn it
    each, over = divmod(cells, units)
    if over or each == 0:  # cells longer than the unit: what falls on a unit is counted by it
        starts = [Fraction(cell * units, cells) for cell in range(cells)]
        return [str(int(place) + 1) if place.denominator == 1 else "·" for place in starts]
    between = {1: [], 2: ["&"], 3: ["la", "li"], 4: ["e", "&", "a"]}.get(each, ["·"] * (each - 1))
    return [word for unit in range(units) for word in (str(unit + 1), *between)]


def _by_meter(pattern: Pattern) -> tuple[bool, int, int, str]:
    """Order by meter: simple ones before compound ones, two and four before three."""
    meter = pattern.grid.meter
    units = sum(meter.groups)
    return (
        meter.compound,
        units if meter.compound else units % 4,
        -meter.unit * (meter.unit > 1),
        f"{meter} {pattern.name}",
    )


def _picture(grid: AccentGrid, width: int) -> list[str]:
    """Draw the bars, as many beside each other as fit."""
    cell = 4 if grid.cells * 4 + _MARGIN + 2 <= width else 2
    cell = max(cell, 1 + max(map(len, count(grid.meter, grid.cells))))
    beside = max(1, (width - _MARGIN - 1) // (grid.cells * cell + 1))
    names = ["", "accent", "", "bow", *["or"] * grid.flips, "strings", "count"]
    lines: list[str] = []
    for first in range(0, grid.bars, beside):
        if lines:
            lines.append("")
        drawn = [_bar(grid, bar, cell) for bar in range(first, min(first + beside, grid.bars))]
        lines += [
            f"{name:>{_MARGIN - 1}} │" + "│".join(bar[row] for bar in drawn) + "│" for row, name in enumerate(names)
        ]
    return lines


def _bar(grid: AccentGrid, bar: int, cell: int) -> list[str]:
    """Draw the rows of one bar: accents, bow (twice where every other time goes the other way), strings, count."""
    cells = range(bar * grid.cells, (bar + 1) * grid.cells)
    column = cell // 2
    rows = [
        "".join((_block(grid.accent[number], row) * column).ljust(cell) for number in cells)
        for row in reversed(range(_ROWS))
    ]
    rows.append("".join(_mark(grid, number, grid.bow[number], cell) for number in cells))
    if grid.flips:
        rows.append(
            "".join(_mark(grid, number, _TURNED.get(grid.bow[number], grid.bow[number]), cell) for number in cells)
        )
    rows.append("".join(grid.strings[number].replace(".", " ").ljust(cell) for number in cells))
    rows.append("".join(word.ljust(cell) for word in count(grid.meter, grid.cells)))
    return rows


def _mark(grid: AccentGrid, number: int, symbol: str, cell: int) -> str:
    """Draw a cell of the bow row: a held stroke is a line up to where it ends."""
    goes_on = grid.bow[(number + 1) % len(grid.bow)] in "-~"
    line = "─" if goes_on or symbol == "-" else " "
    return MARK[symbol] + line * (cell - 2) + ("─" if goes_on else " ")


def _block(mark: str, row: int) -> str:
    """Draw the piece of an accent's column that lies in a text row, the lowest row 0."""
    eighths = 0 if mark == "." else round(int(mark) * 8 * _ROWS / 9)  # the nine steps share the rows evenly
    return _BLOCKS[min(8, max(0, eighths - 8 * row))]


def _stroke_json(stroke: Stroke) -> dict[str, Any]:
    return {
        "start": str(stroke.start),
        "length": str(stroke.length),
        "bow": stroke.bow,
        "level": stroke.pulses[0].level,
        "pulses": [
            {"start": str(p.start), "length": str(p.length), "level": p.level, "strings": p.strings}
            for p in stroke.pulses
        ],
    }


def _filled(text: str, width: int, indent: int = 0) -> list[str]:
    return textwrap.wrap(
        text, max(width, 40), subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False
    )
