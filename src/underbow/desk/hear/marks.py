"""Where everything lies in what is heard: the printed bars of a pass, and its written notes."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from fractions import Fraction

from underbow.lesson.timeline import written_notes
from underbow.track.sheet.model import Sheet
from underbow.tune.bars import written_numbers

__all__ = ["HeardBar", "heard_bars", "heard_notes"]


@dataclass(frozen=True, slots=True)
class HeardBar:
    """A bar of a pass.

    Parameters
    ----------
    played : int
        Its number as played, from 1; 0 is the pickup.
    printed : int
        Its number on the page.
    time : int
        The how-manieth time, from 1, that the printed bar comes in the pass.
    measure : int
        Index of the measure it begins with.
    start, length : Fraction
        Quarters from the pass's start.
    """

    played: int
    printed: int
    time: int
    measure: int
    start: Fraction
    length: Fraction


def heard_bars(sheet: Sheet) -> list[HeardBar]:
    """Give the bars of one pass of a sheet, in the order heard."""
    notes = heard_notes(sheet)
    starts = [start for start, _, _ in notes]
    printed = written_numbers(sheet.tune)
    times: dict[int, int] = {}
    out: list[HeardBar] = []
    measure = 0
    for bar in sheet.melody.bars:
        at = bisect_right(starts, bar.start - Fraction(1, 1000))
        if at < len(notes) and starts[at] < bar.end:
            measure = notes[at][1]
        elif out:  # a bar of rests
            measure = min(measure + 1, len(printed) - 1)
        number = 0 if bar.number == 0 else printed[measure]
        times[number] = times.get(number, 0) + 1
        out.append(HeardBar(bar.number, number, times[number], measure, bar.start, bar.length))
    return out


def heard_notes(sheet: Sheet) -> list[tuple[Fraction, int, int]]:
    """Give where each written note sounds in one pass: quarters from its start, measure, number in the measure."""
    return written_notes(sheet)
