"""Accent grids: bars cut into equal cells, and the bow strokes that they spell.

A grid has a row for the bow, one for the accents and one for the strings, one symbol a cell. :meth:`AccentGrid.strokes`
reads them as a player does: strokes with a direction, each sounding one or several pulses. The rows are:

===========  ====================================================================================================
``bow``      ``d`` down-bow, ``u`` up-bow, ``-`` held, ``~`` the same bow pulses again, ``x`` chop, ``.`` rest
``accent``   ``1`` to ``9`` on every cell that starts a sound (2 dB a step, 9 is full), ``.`` elsewhere
``strings``  on the same cells ``=`` both, ``_`` the lower alone, ``^`` the upper alone; ``.`` elsewhere
===========  ====================================================================================================

Where the strokes of a grid are odd in number, every other time round is bowed the other way, as a player's bow does by
itself; ``retake`` (the bow is lifted and set again) keeps every time round as it is written. A chop leaves the bow free to
go either way.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import Literal

from underbow.errors import Fault, InputError
from underbow.fiddle.rows import Row, read_rows, row_faults, sense_faults
from underbow.theory.meter import Meter

Bow = Literal["d", "u", "x"]
Strings = Literal["both", "lower", "upper"]
FULL_ACCENT, STEP_DB = 9, 2.0  # the hardest accent is full; each step below is as many dB softer
MOST_CELLS = 96  # in a bar

_STRINGS: dict[str, Strings] = {"=": "both", "_": "lower", "^": "upper"}
_OTHER_WAY: dict[Bow, Bow] = {"d": "u", "u": "d", "x": "x"}


@dataclass(frozen=True, slots=True)
class Pulse:
    """One sounding start within a stroke: where, how long (quarters from the grid's start), level in dB, which strings."""

    start: Fraction
    length: Fraction
    level: float
    strings: Strings

    @property
    def end(self) -> Fraction:
        """Where the next pulse begins or the stroke ends."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class Stroke:
    """One movement of the bow.

    Parameters
    ----------
    start, length : Fraction
        Quarters from the start of the grid, before swing.
    bow : str
        ``"d"`` down-bow, ``"u"`` up-bow, ``"x"`` chop.
    pulses : tuple of Pulse
        At least one; the first starts with the stroke.
    """

    start: Fraction
    length: Fraction
    bow: Bow
    pulses: tuple[Pulse, ...]

    @property
    def end(self) -> Fraction:
        """Where the bow changes or stops."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class AccentGrid:
    """The rows of a pattern; faulty ones are refused where they are made (InputError with every fault).

    Parameters
    ----------
    meter : Meter
    cells : int
        Cells a bar.
    bow, accent, strings : str
        The rows without spaces and bar lines, one symbol a cell, all of one length, a whole number of bars.
    swing : float
        Share of a cell pair that its first cell takes, in [0.5, 0.75].
    retake : bool
        Whether two strokes may run the same way without a slur.

    >>> grid = AccentGrid.parse("4/4", 8, "d - u d u - d u", "6 . 8 6 6 . 8 6")
    >>> [(stroke.bow, str(stroke.start), str(stroke.length), stroke.pulses[0].level) for stroke in grid.strokes()][:3]
    [('d', '0', '1', -6.0), ('u', '1', '1/2', -2.0), ('d', '3/2', '1/2', -6.0)]
    """

    meter: Meter
    cells: int
    bow: str
    accent: str
    strings: str
    swing: float = 0.5
    retake: bool = False

    def __post_init__(self) -> None:
        if not 1 <= self.cells <= MOST_CELLS:
            raise InputError(Fault(f"found {self.cells}, expected 1 to {MOST_CELLS} cells a bar", where="cells"))
        rows = {Row.BOW: self.bow, Row.ACCENT: self.accent, Row.STRINGS: self.strings}
        faults = row_faults(self.cells, rows)
        faults += sense_faults(self.cells, rows, self.retake, {f.where for f in faults})
        faults += _swing_faults(self.meter, self.cells, self.swing)
        if faults:
            raise InputError(*faults)

    @classmethod
    def parse(
        cls,
        meter: Meter | str,
        cells: int,
        bow: str,
        accent: str,
        strings: str | None = None,
        *,
        swing: float = 0.5,
        retake: bool = False,
    ) -> AccentGrid:
        """Read the rows as they are written, with spaces and bar lines; without a strings row every cell takes both.

        Raises
        ------
        InputError
            With every fault of the rows, each naming its key.
        """
        faults: list[Fault] = []
        try:
            meter = Meter.parse(meter) if isinstance(meter, str) else meter
        except ValueError as fault:
            faults.append(Fault(str(fault), where="meter"))
            meter = Meter((4,), 4)
        if not 1 <= cells <= MOST_CELLS:
            raise InputError(*faults, Fault(f"found {cells}, expected 1 to {MOST_CELLS} cells a bar", where="cells"))
        rows = read_rows(cells, {Row.BOW: bow, Row.ACCENT: accent, Row.STRINGS: strings}, faults)
        if faults:  # tell what is wrong with the rows that could be read as well
            faults += sense_faults(cells, rows, retake, {fault.where for fault in faults})
            faults += _swing_faults(meter, cells, swing)
            raise InputError(*faults)
        return cls(meter, cells, rows[Row.BOW], rows[Row.ACCENT], rows[Row.STRINGS], swing, retake)

    @property
    def cell(self) -> Fraction:
        """Length of a cell in quarters, before swing."""
        return self.meter.bar / self.cells

    @property
    def bars(self) -> int:
        """Bars that the grid spans."""
        return len(self.bow) // self.cells

    @property
    def length(self) -> Fraction:
        """Length of one cycle in quarters."""
        return self.meter.bar * self.bars

    @property
    def flips(self) -> bool:
        """Whether every other cycle is bowed the other way: its last stroke runs as its first one does, and no retake."""
        sounds = [symbol for symbol in self.bow if symbol in "dux"]
        return not self.retake and sounds[0] == sounds[-1] != "x"

    def strokes(self) -> tuple[Stroke, ...]:
        """Strokes of one cycle in its steady state, in order of start.

        A stroke held over the cycle's end starts late, and its length and pulses run over the end; it is listed once.
        """
        return tuple(self._stroke(cell) for cell, symbol in enumerate(self.bow) if symbol in "dux")

    def play(self, bars: int) -> tuple[Stroke, ...]:
        """Strokes over so many bars, from rest.

        A stroke that the grid holds over from the cycle before is attacked on the first cell; the last one is cut at the end.
        The bow goes on from cycle to cycle.

        >>> georgia = AccentGrid.parse("4/4", 8, "- - d u - - d u", ". . 9 6 . . 9 6")
        >>> [(stroke.bow, str(stroke.start), str(stroke.length)) for stroke in georgia.play(1)]
        [('u', '0', '1'), ('d', '1', '1/2'), ('u', '3/2', '3/2'), ('d', '3', '1/2'), ('u', '7/2', '1/2')]
        """
        return tuple(self.played(bars))

    def played(self, bars: int, since: Fraction = Fraction(0)) -> Iterator[Stroke]:
        """Give the strokes of :meth:`play` that begin at ``since`` or later, one by one: hours of them need no room."""
        end = self.meter.bar * bars
        cycle = self.strokes()
        if bars and since <= 0 and cycle[-1].end > self.length:
            yield _cut(_entry(_moved(cycle[-1], -self.length, self.flips)), end)
        for number in range(max(int(since // self.length), 0), math.ceil(end / self.length)):
            turned = self.flips and number % 2 == 1
            moved = (_moved(stroke, self.length * number, turned) for stroke in cycle)
            yield from (_cut(stroke, end) for stroke in moved if since <= stroke.start < end)

    def swung(self, place: Fraction) -> Fraction:
        """Move a position (quarters from the start of a bar that begins a cycle) to where swing puts it.

        Cells go in pairs; time runs evenly within each cell. The share is taken as the nearest fraction of up to sixtieths,
        so that 0.667 is a true triplet.

        >>> grid = AccentGrid.parse("4/4", 8, "dudududu", "66666666", swing=0.667)
        >>> [str(grid.swung(Fraction(n, 4))) for n in range(5)]
        ['0', '1/3', '2/3', '5/6', '1']
        """
        share = Fraction(self.swing).limit_denominator(60)
        pair = 2 * self.cell
        number, within = divmod(place / pair, 1)
        first = within <= Fraction(1, 2)
        within = 2 * within * share if first else share + (2 * within - 1) * (1 - share)
        return (number + within) * pair

    def in_meter(self, meter: Meter) -> AccentGrid:
        """Give the same grid under another meter: its bars are cut into as many cells, whatever the bar's length."""
        return replace(self, meter=meter)

    def written(self, row: str) -> str:
        """Write the row ``bow``, ``accent`` or ``strings`` as in a pattern file.

        >>> AccentGrid.parse("2/4", 2, "du|-d", "98.7", "=_.^").written("bow")
        'd u | - d'
        """
        text = {"bow": self.bow, "accent": self.accent, "strings": self.strings}[row]
        return " | ".join(" ".join(text[first : first + self.cells]) for first in range(0, len(text), self.cells))

    def _stroke(self, first: int) -> Stroke:
        """Read the stroke that starts in a cell: it lasts while the cells after it, round the end, hold or pulse."""
        size = len(self.bow)
        stop = first + 1
        while self.bow[stop % size] in "-~":  # ends at the latest at the stroke's own cell
            stop += 1
        starts = [first, *(n for n in range(first + 1, stop) if self.bow[n % size] == "~"), stop]
        pulses = tuple(
            Pulse(
                n * self.cell,
                (after - n) * self.cell,
                (int(self.accent[n % size]) - FULL_ACCENT) * STEP_DB,
                _STRINGS[self.strings[n % size]],
            )
            for n, after in pairwise(starts)
        )
        bow: Bow = "d" if self.bow[first] == "d" else "u" if self.bow[first] == "u" else "x"
        return Stroke(first * self.cell, (stop - first) * self.cell, bow, pulses)


def _moved(stroke: Stroke, by: Fraction, turned: bool) -> Stroke:
    bow = _OTHER_WAY[stroke.bow] if turned else stroke.bow
    pulses = tuple(Pulse(p.start + by, p.length, p.level, p.strings) for p in stroke.pulses)
    return Stroke(stroke.start + by, stroke.length, bow, pulses)


def _cut(stroke: Stroke, end: Fraction) -> Stroke:
    """End a stroke and its pulses at a point after its start."""
    if stroke.end <= end:
        return stroke
    pulses = tuple(replace(p, length=min(p.end, end) - p.start) for p in stroke.pulses if p.start < end)
    return Stroke(stroke.start, end - stroke.start, stroke.bow, pulses)


def _entry(stroke: Stroke) -> Stroke:
    """Begin a stroke that was under way before 0 at 0, with what sounds there."""
    zero = Fraction(0)
    pulses = tuple(
        Pulse(max(p.start, zero), p.end - max(p.start, zero), p.level, p.strings) for p in stroke.pulses if p.end > 0
    )
    return Stroke(zero, stroke.end, stroke.bow, pulses)


def _swing_faults(meter: Meter, cells: int, swing: float) -> list[Fault]:
    """Check the share, and that the cells of a beat pair up."""
    if not 0.5 <= swing <= 0.75:
        cure = "write 0.5 (even) to 0.75 (dotted), such as 0.667 for triplet swing"
        return [Fault(f"found {swing:g}, expected a share of a cell pair; {cure}", where="swing")]
    if swing > 0.5 and (each := cells / len(meter.beats)) % 2:
        return [
            Fault(
                f"swing needs an even number of cells a beat, and {cells} cells a bar of {meter} make {each:g}; "
                "leave swing out or write twice as many cells",
                where="swing",
            )
        ]
    return []
