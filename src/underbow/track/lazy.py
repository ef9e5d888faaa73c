"""Sequences whose things are made as they are asked for, since keeping all of them would take too much room."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterator, Sequence
from typing import TypeVar, overload

__all__ = ["LazySequence"]

Item = TypeVar("Item")


class LazySequence(Sequence[Item]):
    """A sequence that can't be changed, and equals a tuple of the same things; subclasses say how many and make one.

    >>> class Squares(LazySequence[int]):
    ...     def __len__(self):
    ...         return 5
    ...     def _item(self, place):
    ...         return place * place
    >>> Squares() == (0, 1, 4, 9, 16), Squares()[-1], Squares()[1:3]
    (True, 16, (1, 4))
    """

    __slots__ = ()

    @abstractmethod
    def _item(self, place: int) -> Item:
        """Make the thing at a place from 0 up."""

    def __iter__(self) -> Iterator[Item]:
        return map(self._item, range(len(self)))

    @overload
    def __getitem__(self, place: int) -> Item: ...
    @overload
    def __getitem__(self, place: slice) -> tuple[Item, ...]: ...
    def __getitem__(self, place: int | slice) -> Item | tuple[Item, ...]:
        chosen = range(len(self))[place]
        return self._item(chosen) if isinstance(chosen, int) else tuple(map(self._item, chosen))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, type(self) | tuple):
            return NotImplemented
        return len(self) == len(other) and all(a == b for a, b in zip(self, other, strict=True))

    def __hash__(self) -> int:
        return hash(tuple(self))
