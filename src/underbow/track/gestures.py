"""A part's gestures in little room: each different one is kept once, and of each time it is played only where and how it felt.

Players repeat themselves: three hours of a reel hold some hundred thousand gestures, a few hundred of them different. So a
:class:`Gestures` keeps the different ones as they would be at quarter 0, and for each time one is played its place, and by how
much a human hand was early, late, louder or softer. The gestures themselves are made while it is walked.

Nothing is assumed about what repeats: passes may differ in tempo, bowing and ornaments.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from typing import TypeAlias, overload

from underbow.track.performance import Gesture, Sounded

__all__ = ["Gestures"]

_Column: TypeAlias = "array[int] | list[int]"  # arrays can be subscripted from 3.12 on only
_OFFSET_STEPS, _LEVEL_STEPS = 1e6, 1e3  # feel is kept in whole microseconds and thousandths of a dB


class Gestures(Sequence[Gesture]):
    """Gestures in order, made as they are asked for; it can't be changed, and equals a tuple of the same gestures.

    Examples
    --------
    >>> from underbow.track.performance import Manner
    >>> clicks = [Gesture(Manner.CLICK, (Sounded(Fraction(i), Fraction(1, 8), 76, -4.0),)) for i in range(1000)]
    >>> kept = Gestures(clicks)
    >>> len(kept), kept.different, kept[999].start, kept == tuple(clicks)
    (1000, 1, Fraction(999, 1), True)
    """

    __slots__ = ("_by", "_denominators", "_kinds", "_levels", "_numerators", "_offsets", "_which")

    def __init__(self, gestures: Iterable[Gesture] = ()) -> None:
        kinds: dict[tuple[object, ...], int] = {}
        kept: list[Gesture] = []
        self._which = array("i")
        self._numerators: _Column = array("q")
        self._denominators: _Column = array("q")
        for gesture in gestures:
            zero = gesture.start
            key = _key(gesture, zero)
            number = kinds.setdefault(key, len(kept))
            if number == len(kept):
                kept.append(_moved(gesture, -zero))
            self._which.append(number)
            self._numerators = _with(self._numerators, zero.numerator)
            self._denominators = _with(self._denominators, zero.denominator)
        self._kinds = tuple(kept)
        self._by = Fraction(0)
        self._offsets = self._levels = array("i")

    @property
    def different(self) -> int:
        """How many different gestures there are, place and feel left out."""
        return len(self._kinds)

    def later(self, by: Fraction) -> Gestures:
        """Give the same gestures, so many quarters later."""
        out = self._copy()
        out._by = self._by + by
        return out

    def felt(self, microseconds: Sequence[int], thousandths: Sequence[int]) -> Gestures:
        """Give the same gestures moved in time and level, each by its own whole number of microseconds and of dB/1000.

        No note becomes louder than full.
        """
        if not len(microseconds) == len(thousandths) == len(self):
            raise ValueError(f"{len(self)} gestures, but {len(microseconds)} offsets and {len(thousandths)} levels")
        out = self._copy()
        out._offsets, out._levels = array("i", microseconds), array("i", thousandths)
        return out

    def ornaments(self) -> Iterator[bool]:
        """Say of each gesture whether it is an ornament, without making it."""
        known = [kind.ornament for kind in self._kinds]
        return (known[which] for which in self._which)

    def _copy(self) -> Gestures:
        out = Gestures.__new__(Gestures)
        for name in Gestures.__slots__:
            setattr(out, name, getattr(self, name))
        return out

    def _made(self, at: int) -> Gesture:
        kind = self._kinds[self._which[at]]
        start = Fraction(self._numerators[at], self._denominators[at]) + self._by
        if not self._offsets:
            return _moved(kind, start)
        return _moved(kind, start, self._offsets[at] / _OFFSET_STEPS, self._levels[at] / _LEVEL_STEPS)

    def __len__(self) -> int:
        return len(self._which)

    def __iter__(self) -> Iterator[Gesture]:
        return map(self._made, range(len(self)))

    @overload
    def __getitem__(self, at: int) -> Gesture: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[Gesture, ...]: ...
    def __getitem__(self, at: int | slice) -> Gesture | tuple[Gesture, ...]:
        chosen = range(len(self))[at]
        return self._made(chosen) if isinstance(chosen, int) else tuple(map(self._made, chosen))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Gestures | tuple):
            return NotImplemented
        return len(self) == len(other) and all(a == b for a, b in zip(self, other, strict=True))

    def __hash__(self) -> int:
        return hash(tuple(self))

    def __repr__(self) -> str:
        return f"<{len(self)} gestures, {self.different} different>"


def _key(gesture: Gesture, zero: Fraction) -> tuple[object, ...]:
    """Tell gestures apart by everything but their place; in whole numbers, since a Fraction is slow to hash."""
    key: list[object] = [gesture.manner, gesture.bow, gesture.offset, gesture.ornament]
    for note in gesture.notes:
        length = note.length
        inside = 0 if note.start is zero else note.start - zero
        key += (inside.numerator, inside.denominator, length.numerator, length.denominator)
        key += (note.midi, note.level, note.string)
    return tuple(key)


def _moved(gesture: Gesture, by: Fraction, offset: float | None = None, louder: float = 0.0) -> Gesture:
    before, start = gesture.start, gesture.start + by
    notes = []
    for note in gesture.notes:
        if note.start is not before:
            before, start = note.start, note.start + by
        level = min(note.level + louder, 0.0) if louder else note.level
        notes.append(Sounded(start, note.length, note.midi, level, note.string))
    felt = gesture.offset if offset is None else offset
    return Gesture(gesture.manner, tuple(notes), gesture.bow, felt, gesture.ornament)


def _with(column: _Column, value: int) -> _Column:
    """Append to a column of 8-byte numbers, or to a list of any where a tune's fractions are finer than that."""
    try:
        column.append(value)
    except OverflowError:
        column = [*column, value]
    return column
