"""Accent grids: bars cut into equal cells, and the bow strokes that they spell.

A grid has a row for the bow, one for the accents and one for the strings, one symbol a cell. :meth:`AccentGrid.strokes`
reads them as a player does: strokes with a direction, each sounding one or several pulses.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from underbow.theory.meter import Meter

Bow = Literal["d", "u", "x"]
Strings = Literal["both", "lower", "upper"]
STEP_DB = 2.0  # one accent step; 9 is full


@dataclass(frozen=True, slots=True)
class Pulse:
    """One sounding start within a stroke: where, how long (quarters from the grid's start), level in dB, which strings."""

    start: Fraction
    length: Fraction
    level: float
    strings: Strings


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


@dataclass(frozen=True, slots=True)
class AccentGrid:
    """The rows of a pattern.

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
    """

    meter: Meter
    cells: int
    bow: str
    accent: str
    strings: str
    swing: float = 0.5
    retake: bool = False
