"""Sequences whose things are made as they are asked for, since keeping all of them would take too much room."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterator, Sequence
from typing import TypeVar, overload

__all__ = ["MadeWhenAsked"]

Item = TypeVar("Item")


class MadeWhenAsked(Sequence[Item]):
    """A sequence that can't be changed, and equals a tuple of the same things; subclasses say how many and make one.

    >>> class Squares(MadeWhenAsked[int]):
    ...     def __len__(self):
    ...         return 5
    ...     def _made(self, at):
    ...         return at * at
    >>> Squares() == (0, 1, 4, 9, 16), Squares()[-1], Squares()[1:3]
    (True, 16, (1, 4))
    """

    __slots__ = ()

    @abstractmethod
    def _made(self, at: int) -> Item:
        """Make the thing at a place from 0 up."""

    def __iter__(self) -> Iterator[Item]:
        return map(self._made, range(len(self)))

    @overload
    def __getitem__(self, at: int) -> Item: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[Item, ...]: ...
    def __getitem__(self, at: int | slice) -> Item | tuple[Item, ...]:
        chosen = range(len(self))[at]
        return self._made(chosen) if isinstance(chosen, int) else tuple(map(self._made, chosen))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, type(self) | tuple):
            return NotImplemented
        return len(self) == len(other) and all(a == b for a, b in zip(self, other, strict=True))

    def __hash__(self) -> int:
        return hash(tuple(self))
