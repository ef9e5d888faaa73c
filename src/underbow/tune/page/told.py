"""What a reader of tunes tells of one tune, and where in its file each thing stands."""

from __future__ import annotations

import re
from bisect import bisect_right

from underbow.errors import Fault

MOST_TOLD = 100  # faults kept for one tune
LONGEST = 500  # characters of one
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n|\Z)")


class Told:
    """Collects what a reader tells about one tune: what it assumed, and what it passed over."""

    def __init__(self, lines: LineIndex, file: str) -> None:
        self.lines, self.file, self.where = lines, file, ""
        self.assumed: list[Fault] = []
        self.passed_over: list[Fault] = []
        self._once: set[str] = set()

    def assume(self, what: str, place: int | None = None) -> None:
        """Tell something that was found and what was assumed instead."""
        self._add(self.assumed, what, place)

    def pass_over(self, what: str, place: int | None = None) -> None:
        """Tell, once a tune, something that was left out because it doesn't affect the melody."""
        if what not in self._once:
            self._once.add(what)
            self._add(self.passed_over, what, place)

    def _add(self, faults: list[Fault], what: str, place: int | None) -> None:
        what = what if len(what) <= LONGEST else what[: LONGEST - 1] + "…"
        line, column = self.lines.at(place) if place is not None else (None, None)
        if len(faults) < MOST_TOLD:
            faults.append(Fault(what, self.file, line, column, self.where))
        elif len(faults) == MOST_TOLD:
            faults.append(
                Fault(f"more than {MOST_TOLD} problems; the rest are not listed", self.file, line, None, self.where)
            )


class LineIndex:
    r"""Finds the line and column of a place in a text, both counted from 1.

    >>> LineIndex("X:1\nK:G\nGAB").at(9)
    (3, 2)
    """

    def __init__(self, text: str) -> None:
        self._starts = [match.start() for match in _LINE.finditer(text)]

    def at(self, place: int) -> tuple[int, int]:
        """Line and column of a character."""
        line = max(bisect_right(self._starts, place), 1)
        return line, place - self._starts[line - 1] + 1
