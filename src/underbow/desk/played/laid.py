"""A recording laid on a sheet's tune, as plain data for the page: where each bar was heard, what is in doubt, what was played."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

from underbow.ear.melody.heard import Alignment, BarHeard
from underbow.ear.writing.notes import Sounding
from underbow.jobs.recorded import MOST_SECONDS, UNSURE
from underbow.text import signs
from underbow.theory.pitch import LETTERS
from underbow.track.sheet.model import Sheet
from underbow.tune.tune import Bar
from underbow.tune.written_out import write_out

__all__ = ["Lines", "moved", "read_lines", "shown"]

Lines = Mapping[tuple[int, int], float]
_LINE = re.compile(r"(\d{1,5})(?:\.(\d{1,3}))?")
_EARLY = 0.05  # seconds by which a note may come before its bar line
_SHORTEST = 0.06  # seconds of the bar that a line which is moved leaves on either side


def shown(
    sheet: Sheet, alignment: Alignment, notes: Sequence[Sounding], lines: Lines, played: frozenset[tuple[int, int]]
) -> dict[str, Any]:
    """Lay out what was heard.

    Parameters
    ----------
    sheet : Sheet
    alignment : Alignment
    notes : sequence of Sounding
        All that sounds, in order.
    lines : mapping of (int, int) to float
        Bar lines set by hand.
    played : set of (int, int)
        The bars that a pass plays.

    Returns
    -------
    dict
        ``bars``, in the order played: ``number time start end points sure doubts doubtful fixed played length measures
        heads``, where ``points`` are pairs of quarters from the bar line and seconds, and ``heads`` say of each written note
        where in the bar it stands, its measure and its number there; ``notes``: ``[start, end, step, name]``, where ``step``
        counts the lines and spaces of the staff from middle C, and the name is given where no note of its bar has that pitch;
        ``pitch``, ``told``.
    """
    melody = write_out(sheet.tune)
    heads: dict[int, list[list[float | int]]] = {}
    places = iter(melody.notes)
    note = next(places, None)
    for index, bar in enumerate(melody.bars):
        here = heads.setdefault(index, [])
        while note is not None and note.start < bar.end:
            here += [
                [float(note.start + later - bar.start), measure, number]
                for later, measure, number in note.written
                if note.start + later < bar.end
            ]
            note = next(places, None)
    written = [{one.pitch.midi % 12 for one in melody.notes if bar.start <= one.start < bar.end} for bar in melody.bars]
    begins = [bar.start for bar in alignment.bars]

    def note_shown(one: Sounding) -> list[float | str]:
        at = bisect_right(begins, one.start + _EARLY) - 1
        pitch = sheet.tune.key.spell(one.midi)
        known = at < 0 or one.midi % 12 in written[alignment.bars[at].index]
        step = LETTERS.index(pitch.letter) + 7 * (pitch.octave - 4)
        return [round(one.start, 3), round(one.end, 3), step, "" if known else signs(str(pitch))]

    return {
        "bars": [
            _bar(heard, melody.bars[heard.index], heads[heard.index])
            | {"fixed": (heard.number, heard.time) in lines, "played": (heard.number, heard.time) in played}
            for heard in alignment.bars
        ],
        "notes": [note_shown(one) for one in notes],
        "pitch": round(alignment.pitch, 1),
        "told": list(alignment.told),
    }


def _bar(heard: BarHeard, bar: Bar, heads: list[list[float | int]]) -> dict[str, Any]:
    return {
        "number": heard.number,
        "time": heard.time,
        "start": round(heard.start, 3),
        "end": round(heard.end, 3),
        "points": [[float(quarter), round(second, 3)] for quarter, second in heard.points],
        "length": float(bar.length),
        "sure": heard.sure,
        "doubts": list(heard.doubts),
        "doubtful": bool(heard.doubts) or heard.sure < UNSURE,
        "measures": [measure for measure, _ in bar.measures],
        "heads": heads,
    }


def read_lines(written: object) -> dict[tuple[int, int], float]:
    """Read bar lines as the page sends them; what is none is passed over.

    >>> read_lines({"7": 14.31, "7.2": 31.05, "x": 1, "8": None})
    {(7, 1): 14.31, (7, 2): 31.05}
    """
    out = {}
    for name, second in written.items() if isinstance(written, dict) else ():
        match = _LINE.fullmatch(str(name))
        if match and isinstance(second, int | float) and not isinstance(second, bool) and 0 <= second < MOST_SECONDS:
            out[int(match[1]), int(match[2] or 1)] = float(second)
    return out


def moved(alignment: Alignment, lines: Lines) -> Alignment:
    """Move bar lines without listening again: what lies between two lines is spread evenly as before.

    >>> bars = [BarHeard(at, at + 1, 1, ((Fraction(0), float(at)), (Fraction(4), at + 1.0)), 1.0) for at in range(2)]
    >>> after = moved(Alignment(tuple(bars), (), 440.0, 1.0), {(2, 1): 1.25})
    >>> [(bar.start, bar.end) for bar in after.bars]
    [(0.0, 1.25), (1.25, 2.0)]
    """
    bars = list(alignment.bars)
    for at, bar in enumerate(bars):
        second = lines.get((bar.number, bar.time))
        if second is None or abs(second - bar.start) < 1e-4:
            continue
        joined = at > 0 and abs(bars[at - 1].end - bar.start) < 0.02
        low = bars[at - 1].start + _SHORTEST if joined else 0.0
        second = min(max(second, low), bar.end - _SHORTEST)
        if joined:
            bars[at - 1] = _spread(bars[at - 1], bars[at - 1].start, second)
        bars[at] = _spread(bar, second, bar.end)
    return replace(alignment, bars=tuple(bars))


def _spread(bar: BarHeard, start: float, end: float) -> BarHeard:
    share = (end - start) / max(bar.end - bar.start, 1e-6)
    points: list[tuple[Fraction, float]] = [
        (quarter, start + (second - bar.start) * share) for quarter, second in bar.points
    ]
    return replace(bar, points=tuple(points))
