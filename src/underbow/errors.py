"""What can go wrong, and how it is told: one clear line a fault, with the cure.

Every room raises these two; only the command line turns them into text and an exit status.

>>> print(Fault("found 7 cells, expected 8; write one symbol a cell", file="shuffle.toml", line=4, where="bow"))
shuffle.toml:4: bow: found 7 cells, expected 8; write one symbol a cell
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

from underbow.text import visible


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of an input: where it is, and what was found, expected and should be written instead.

    Parameters
    ----------
    what : str
        One line, without the place: what was found, what was expected, what to write instead.
    file : str
        The file as the user named it; empty where the input was no file.
    line, column : int or None
        Counted from 1.
    where : str
        The key, tune or bar inside the file.
    """

    what: str
    file: str = ""
    line: int | None = None
    column: int | None = None
    where: str = ""

    def __str__(self) -> str:
        place = self.file
        if self.line is not None:
            place += f":{self.line}" if place else f"line {self.line}"
            if self.column is not None:
                place += f":{self.column}" if self.file else f", column {self.column}"
        return visible(": ".join(part for part in (place, self.where, self.what) if part))


class UnderbowError(Exception):
    """Something failed while working (exit status 1)."""


class InputError(UnderbowError):
    """Wrong input: every fault that was found in one go (exit status 2).

    >>> str(InputError("no such chord: 'H7'"))
    "no such chord: 'H7'"
    """

    def __init__(self, *faults: Fault | str) -> None:
        self.faults: tuple[Fault, ...] = tuple(f if isinstance(f, Fault) else Fault(f) for f in faults)
        super().__init__("\n".join(map(str, self.faults)))


def near_miss(word: str, known: Iterable[str]) -> str:
    """A hint naming the nearest known word, or nothing where none is near.

    >>> near_miss("acent", ["bow", "accent"])
    " (did you mean 'accent'?)"
    >>> near_miss("xyz", ["bow", "accent"])
    ''
    """
    near = difflib.get_close_matches(word, [other for other in known if other != word], n=1, cutoff=0.6)
    return f" (did you mean '{near[0]}'?)" if near else ""
