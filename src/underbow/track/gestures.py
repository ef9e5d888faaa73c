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
from typing import NamedTuple, TypeAlias

from underbow.track.made import MadeWhenAsked
from underbow.track.performance import Gesture, Sounded

__all__ = ["Gestures", "Turn"]

_Column: TypeAlias = "array[int] | list[int]"  # arrays can be subscripted from 3.12 on only
_WIDE = 8  # bytes
_OFFSET_STEPS, _LEVEL_STEPS = 1e6, 1e3  # feel is kept in whole microseconds and thousandths of a dB


class Turn(NamedTuple):
    """One time that a gesture is played: which one, where (in quarters), and by how much a hand moves it (seconds, dB)."""

    kind: int
    start: Fraction
    offset: float
    louder: float


class Gestures(MadeWhenAsked[Gesture]):
    """Gestures in order, made as they are asked for; it can't be changed, and equals a tuple of the same gestures.

    Attributes
    ----------
    kinds : tuple of Gesture
        The different ones, as they would be at quarter 0.

    Examples
    --------
    >>> from underbow.track.performance import Manner
    >>> clicks = [Gesture(Manner.CLICK, (Sounded(Fraction(i), Fraction(1, 8), 76, -4.0),)) for i in range(1000)]
    >>> kept = Gestures(clicks)
    >>> len(kept), len(kept.kinds), kept[999].start, kept == tuple(clicks)
    (1000, 1, Fraction(999, 1), True)
    """

    __slots__ = ("_denominators", "_levels", "_numerators", "_offsets", "_parts", "_tops", "_which", "kinds")

    def __init__(self, gestures: Iterable[Gesture] = ()) -> None:
        known: dict[tuple[object, ...], int] = {}
        parts: dict[int, int] = {}
        kinds: list[Gesture] = []
        which: _Column = array("H")
        numerators: _Column = array("i")
        denominators: _Column = array("H")
        for gesture in gestures:
            zero = gesture.start
            kind = known.setdefault(_key(gesture, zero), len(kinds))
            if kind == len(kinds):
                kinds.append(_moved(gesture, -zero))
            which = _with(which, kind)
            numerators = _with(numerators, zero.numerator)
            denominators = _with(denominators, parts.setdefault(zero.denominator, len(parts)))
        self.kinds = tuple(kinds)
        self._tops = tuple(kind.top for kind in kinds)
        self._which, self._numerators, self._denominators, self._parts = which, numerators, denominators, tuple(parts)
        self._offsets: _Column = array("h")
        self._levels: _Column = array("h")

    @classmethod
    def of(cls, gestures: Sequence[Gesture]) -> Gestures:
        """Give what is kept so already as it is, feel and all; keep anything else so."""
        return gestures if isinstance(gestures, cls) else cls(gestures)

    def turns(self) -> Iterator[Turn]:
        """Say of each gesture which one it is, where it is played and how it is felt, without making it."""
        return map(self._turn, range(len(self)))

    def later(self, by: Fraction) -> Gestures:
        """Give the same gestures, so many quarters later."""
        out = self._copy()
        starts = [turn.start + by for turn in self.turns()]
        parts: dict[int, int] = {}
        out._numerators = _column("i", (start.numerator for start in starts))
        out._denominators = _column("H", (parts.setdefault(start.denominator, len(parts)) for start in starts))
        out._parts = tuple(parts)
        return out

    def felt(self, microseconds: Iterable[int], thousandths: Iterable[int]) -> Gestures:
        """Give the same gestures moved in time and level, each by its own whole number of microseconds and of dB/1000.

        No gesture becomes louder than full.
        """
        out = self._copy()
        out._offsets, out._levels = _column("h", microseconds), _column("h", thousandths)
        if not len(out._offsets) == len(out._levels) == len(self):
            raise ValueError(f"{len(self)} gestures, but {len(out._offsets)} offsets and {len(out._levels)} levels")
        return out

    def ornaments(self) -> Iterator[bool]:
        """Say of each gesture whether it is an ornament, without making it."""
        known = [kind.ornament for kind in self.kinds]
        return (known[which] for which in self._which)

    def _copy(self) -> Gestures:
        out = Gestures.__new__(Gestures)
        for name in Gestures.__slots__:
            setattr(out, name, getattr(self, name))
        return out

    def _turn(self, at: int) -> Turn:
        kind = self._which[at]
        start = Fraction(self._numerators[at], self._parts[self._denominators[at]])
        if not self._offsets:
            return Turn(kind, start, self.kinds[kind].offset, 0.0)
        louder = min(self._levels[at] / _LEVEL_STEPS, -self._tops[kind])
        return Turn(kind, start, self._offsets[at] / _OFFSET_STEPS, louder)

    def _made(self, at: int) -> Gesture:
        kind, start, offset, louder = self._turn(at)
        return _moved(self.kinds[kind], start, offset, louder)

    def __len__(self) -> int:
        return len(self._which)

    def __repr__(self) -> str:
        return f"<{len(self)} gestures, {len(self.kinds)} different>"


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
        notes.append(Sounded(start, note.length, note.midi, note.level + louder, note.string))
    felt = gesture.offset if offset is None else offset
    return Gesture(gesture.manner, tuple(notes), gesture.bow, felt, gesture.ornament)


def _column(code: str, values: Iterable[int]) -> _Column:
    column: _Column = array(code)
    for value in values:
        column = _with(column, value)
    return column


def _with(column: _Column, value: int) -> _Column:
    """Append to a column of small numbers; to one of larger ones, or a list of any, where it must be."""
    try:
        column.append(value)
    except OverflowError:
        wider = array("q", column) if isinstance(column, array) and column.itemsize < _WIDE else list(column)
        return _with(wider, value)
    return column
