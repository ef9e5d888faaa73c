"""Where the faults of a sheet are collected, so that all of them are told in one go."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from underbow.errors import Fault, InputError
from underbow.track.sheet.table import EXPECTED, names_in

T = TypeVar("T")


class Notebook:
    """Collects what is wrong with a sheet (:attr:`faults`) and what was assumed (:attr:`told`)."""

    def __init__(self, file: str, faults: list[Fault]) -> None:
        self.file = file
        self.faults = faults
        self.told: list[Fault] = []
        self._broken = {names_in(fault.where)[0] for fault in faults}

    def is_whole(self, *keys: str) -> bool:
        """Whether nothing is wrong, as far as was looked, with keys that something rests on: else nothing is said of that."""
        return self._broken.isdisjoint(keys)

    def say(self, where: str, what: str) -> None:
        """Note a fault of a key."""
        self._note(where, Fault(what, file=self.file, where=where))

    def _note(self, where: str, fault: Fault) -> None:
        self.faults.append(fault)
        self._broken.add(names_in(where)[0])

    def tell(self, where: str, what: str, file: str = "") -> None:
        """Note what was assumed."""
        self.told.append(Fault(what, file=file or self.file, where=where))

    def attempt(self, where: str, make: Callable[[], T]) -> T | None:
        """Make something; what is wrong with it becomes faults of that key."""
        try:
            return make()
        except InputError as error:
            for fault in error.faults:
                own = not fault.file or fault.file == self.file  # else another file's: it says where already
                placed = replace(fault, file=self.file, where=_within(where, fault.where)) if own else fault
                self._note(where, placed)
        return None

    def read(self, where: str, read: Callable[[str], T], text: str | None) -> T | None:
        """Read a text, if there is one, into a type that says in a ValueError what it expected."""

        def made() -> T | None:
            try:
                return None if text is None else read(text)
            except ValueError as error:
                raise InputError(str(error)) from None

        return self.attempt(where, made)


def in_place(fault: Fault) -> Fault:
    """Let a fault of a tune that stands in the sheet itself say its line in the tune, not in the sheet.

    >>> str(in_place(Fault("too long", file="s.toml", line=6, column=2, where="bar 3")))
    's.toml: abc, line 6, bar 3: too long'
    """
    if fault.line is None:
        return fault
    where = ", ".join(filter(None, ["abc", f"line {fault.line}", fault.where]))
    return replace(fault, line=None, column=None, where=where)


def _within(key: str, place: str) -> str:
    """Join a key and a place in its value, which may be a key of its table or the key itself."""
    if place.startswith(f"{key}, "):
        return place
    if place == "" or key.rpartition(".")[2] == place:
        return key
    return f"{key}.{place}" if f"{key}.{place}" in EXPECTED else f"{key}, {place}"
