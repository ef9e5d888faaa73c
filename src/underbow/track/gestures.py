"""A part's gestures in little room: each different one is kept once, and of each time it is played only where and how it felt.

Players repeat themselves: three hours of a reel hold some hundred thousand gestures, a few hundred of them different. So a
:class:`Gestures` keeps the different ones as they would be at quarter 0, and for each time one is played its place, and by how
much a human hand was early, late, louder or softer. The gestures themselves are made while it is walked. Places are kept in
whole numbers: so many parts of a quarter (:attr:`Gestures.grain`) that every place in the part comes out even.

Nothing is assumed about what repeats: passes may differ in tempo, bowing and ornaments.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from math import lcm
from typing import NamedTuple, TypeAlias

from underbow.track.lazy import LazySequence
from underbow.track.performance import Gesture, Sounded

__all__ = ["Gestures", "Placed"]

_Column: TypeAlias = "array[int] | list[int]"  # arrays can be subscripted from 3.12 on only
_OFFSET_STEPS, _LEVEL_STEPS = 1e6, 1e3  # feel is kept in whole microseconds and thousandths of a dB


class Placed(NamedTuple):
    """One time that a gesture is played: which one, where (in the part's grains), and how a hand moves it (seconds, dB)."""

    kind: int
    tick: int
    offset: float
    louder: float


class Gestures(LazySequence[Gesture]):
    """Gestures in order, made as they are asked for; it can't be changed, and equals a tuple of the same gestures.

    Attributes
    ----------
    kinds : tuple of Gesture
        The different ones, as they would be at quarter 0.
    grain : int
        Parts of a quarter that places are counted in; whatever begins or ends in the part does so at a whole number of them.

    Examples
    --------
    >>> from underbow.track.performance import Manner
    >>> clicks = [Gesture(Manner.CLICK, (Sounded(Fraction(i), Fraction(1, 8), 76, -4.0),)) for i in range(1000)]
    >>> kept = Gestures(clicks)
    >>> len(kept), len(kept.kinds), kept.grain, kept[999].start, kept == tuple(clicks)
    (1000, 1, 8, Fraction(999, 1), True)
    """

    __slots__ = ("_levels", "_offsets", "_ticks", "_tops", "_which", "grain", "kinds")

    def __init__(self, gestures: Iterable[Gesture] = ()) -> None:
        self._fill([(gestures, Fraction(0))])

    @classmethod
    def of(cls, gestures: Sequence[Gesture]) -> Gestures:
        """Give what is kept so already as it is, feel and all; keep anything else so."""
        return gestures if isinstance(gestures, cls) else cls(gestures)

    @classmethod
    def of_phrases(cls, phrases: Iterable[tuple[Sequence[Gesture], Fraction]]) -> Gestures:
        """Keep phrases, each with by how many quarters later it is played; the same one again costs next to nothing."""
        out = cls.__new__(cls)
        out._fill(phrases)
        return out

    def _fill(self, phrases: Iterable[tuple[Iterable[Gesture], Fraction]]) -> None:
        known: dict[tuple[object, ...], int] = {}
        kinds: list[Gesture] = []
        read: dict[int, tuple[object, list[int], list[Fraction]]] = {}  # the phrase itself keeps its number its own
        order: list[tuple[int, Fraction]] = []
        for phrase, later in phrases:
            if id(phrase) not in read:
                read[id(phrase)] = (phrase, *_read(phrase, known, kinds))
            order.append((id(phrase), later))
        inside = [value for kind in kinds for note in kind.notes for value in (note.start, note.length)]
        starts = (start for _, _, starts in read.values() for start in starts)
        self.grain = lcm(*{value.denominator for value in (*inside, *starts, *(later for _, later in order))})
        ticks = {number: [_whole(start, self.grain) for start in starts] for number, (_, _, starts) in read.items()}
        self.kinds = tuple(kinds)
        self._tops = tuple(kind.top for kind in kinds)
        self._which: _Column = array("H" if len(kinds) < 1 << 16 else "I")
        self._ticks: _Column = array("q")
        for number, later in order:
            by = _whole(later, self.grain)
            self._which.extend(read[number][1])
            self._ticks = _extended(self._ticks, [tick + by for tick in ticks[number]])
        self._offsets: _Column = array("h")
        self._levels: _Column = array("h")

    def placed(self) -> Iterator[Placed]:
        """Say of each gesture which one it is, where it is played and how it is felt, without making it."""
        if not self._offsets:
            offsets = [kind.offset for kind in self.kinds]
            return (Placed(kind, tick, offsets[kind], 0.0) for kind, tick in zip(self._which, self._ticks, strict=True))
        return map(self._placed, range(len(self)))

    def with_feel(self, microseconds: Iterable[int], thousandths: Iterable[int]) -> Gestures:
        """Give the same gestures moved in time and level, each by its own whole number of microseconds and of dB/1000.

        No gesture becomes louder than full.
        """
        out = Gestures.__new__(Gestures)
        for name in Gestures.__slots__:
            setattr(out, name, getattr(self, name))
        out._offsets, out._levels = _small(microseconds), _small(thousandths)
        if not len(out._offsets) == len(out._levels) == len(self):
            raise ValueError(f"{len(self)} gestures, but {len(out._offsets)} offsets and {len(out._levels)} levels")
        return out

    def ornaments(self) -> Iterator[bool]:
        """Say of each gesture whether it is an ornament, without making it."""
        known = [kind.ornament for kind in self.kinds]
        return (known[which] for which in self._which)

    def _placed(self, place: int) -> Placed:
        kind, tick = self._which[place], self._ticks[place]
        if not self._offsets:
            return Placed(kind, tick, self.kinds[kind].offset, 0.0)
        louder = min(self._levels[place] / _LEVEL_STEPS, -self._tops[kind])
        return Placed(kind, tick, self._offsets[place] / _OFFSET_STEPS, louder)

    def _item(self, place: int) -> Gesture:
        kind, tick, offset, louder = self._placed(place)
        return moved(self.kinds[kind], Fraction(tick, self.grain), offset, louder)

    def __len__(self) -> int:
        return len(self._which)

    def __repr__(self) -> str:
        return f"<{len(self)} gestures, {len(self.kinds)} different>"


def _read(
    gestures: Iterable[Gesture], known: dict[tuple[object, ...], int], kinds: list[Gesture]
) -> tuple[list[int], list[Fraction]]:
    """Read a phrase: which kind each gesture is, new ones added to the kinds, and where it begins."""
    which: list[int] = []
    starts: list[Fraction] = []
    for gesture in gestures:
        zero = gesture.start
        kind = known.setdefault(_key(gesture, zero), len(kinds))
        if kind == len(kinds):
            kinds.append(moved(gesture, -zero))
        which.append(kind)
        starts.append(zero)
    return which, starts


def _key(gesture: Gesture, zero: Fraction) -> tuple[object, ...]:
    """Tell gestures apart by everything but their place; in whole numbers, since a Fraction is slow to hash."""
    key: list[object] = [gesture.manner, gesture.bow, gesture.offset, gesture.ornament]
    for note in gesture.notes:
        length = note.length
        inside = 0 if note.start is zero else note.start - zero
        key += (inside.numerator, inside.denominator, length.numerator, length.denominator)
        key += (note.midi, note.level, note.string)
    return tuple(key)


def moved(gesture: Gesture, by: Fraction, offset: float | None = None, louder: float = 0.0) -> Gesture:
    """Give a gesture so many quarters later, with another offset if need be, and louder by so many dB."""
    before, start = gesture.start, gesture.start + by
    notes = []
    for note in gesture.notes:
        if note.start is not before:
            before, start = note.start, note.start + by
        notes.append(Sounded(start, note.length, note.midi, note.level + louder, note.string))
    felt = gesture.offset if offset is None else offset
    return Gesture(gesture.manner, tuple(notes), gesture.bow, felt, gesture.ornament)


def _whole(quarters: Fraction, grain: int) -> int:
    """Count a position in grains, of which it is a whole number."""
    return quarters.numerator * (grain // quarters.denominator)


def _extended(column: _Column, values: list[int]) -> _Column:
    """Extend a column of eight bytes each; one of any size where that is too small."""
    try:
        column.extend(array("q", values) if isinstance(column, array) else values)
    except OverflowError:
        return [*column, *values]
    return column


def _small(values: Iterable[int]) -> _Column:
    """Keep numbers in two bytes each, or in four where they need them."""
    every = list(values)
    wide = any(not -(1 << 15) <= value < 1 << 15 for value in every)
    return array("i" if wide else "h", every)
