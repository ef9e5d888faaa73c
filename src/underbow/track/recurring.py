"""What comes again in every pass, kept for three passes however many are played.

All passes but the first and the last are alike, only later; so are all tempos, where clicks come between them. So a long track
needs no more room than a short one for its bars, its chords and what lies in them: the first, one between and the last are laid
out, and the others are made as asked for. Below, what comes again as a whole is called a pass.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Protocol, TypeVar

from underbow.track.lazy import LazySequence

__all__ = ["LAID_OUT", "Recurring"]

LAID_OUT = 3  # passes, of a track that has as many or more


class _Placed(Protocol):
    @property
    def start(self) -> Fraction: ...


Item = TypeVar("Item", bound=_Placed)


class Recurring(LazySequence[Item]):
    """Things in order of start, over any number of passes; it can't be changed, and equals a tuple of the same things.

    Parameters
    ----------
    items : sequence
        What lies in the passes that are laid out: in all of them, or in the first, one between and the last.
    starts : sequence of Fraction
        Where each of these passes begins, in quarters.
    passes : int
        How many there are to be: as many as ``starts``, or more where these are three.
    later : callable
        Gives an item so many passes later.

    Raises
    ------
    ValueError
        If there is nothing that could come round.

    Examples
    --------
    >>> from underbow.theory.progression import ChordSpan
    >>> spans = [ChordSpan(Fraction(at), Fraction(4), None) for at in (2, 6, 10, 14, 18, 22)]
    >>> def later(span, passes):
    ...     return ChordSpan(span.start + 8 * passes, span.length, span.chord)
    >>> kept = Recurring(spans, [Fraction(2), Fraction(10), Fraction(18)], 100, later)
    >>> len(kept), kept[7].start, kept[-1].start, kept.place_of(Fraction(60))
    (200, Fraction(30, 1), Fraction(798, 1), 14)
    """

    __slots__ = ("_begins", "_each", "_items", "_later", "_latest", "_loop", "_more", "_second")

    def __init__(
        self, items: Sequence[Item], starts: Sequence[Fraction], passes: int, later: Callable[[Item, int], Item]
    ) -> None:
        self._items, self._later = tuple(items), later
        self._begins = tuple(item.start for item in self._items)
        self._more = passes - len(starts)
        self._second = self._each = 0
        self._loop = Fraction(0)
        if self._more:
            self._second, third = (bisect_left(self._begins, start) for start in starts[1:])
            self._each, self._loop = third - self._second, starts[2] - starts[1]
            if self._each < 1:
                raise ValueError("nothing begins in the passes between")
        self._latest: tuple[int, Item] | None = None

    @property
    def laid_out(self) -> tuple[Item, ...]:
        """What lies in the passes that are laid out."""
        return self._items

    def place_of(self, quarter: Fraction) -> int:
        """Give the index of the last one that begins at a position or before it; 0 where none does."""
        passes = 0
        if self._more:
            passes = min(max((quarter - self._begins[self._second]) // self._loop, 0), self._more)
        stop = len(self._begins) if passes == self._more else self._second + self._each
        return max(bisect_right(self._begins, quarter - self._loop * passes, hi=stop) - 1, 0) + self._each * passes

    def __len__(self) -> int:
        return len(self._items) + self._each * self._more

    def _item(self, place: int) -> Item:
        passes = min(max(place - self._second, 0) // self._each, self._more) if self._more else 0
        if not passes:
            return self._items[place]
        latest = self._latest  # players ask for the same one again and again
        if latest is None or latest[0] != place:
            latest = self._latest = (place, self._later(self._items[place - self._each * passes], passes))
        return latest[1]

    def __repr__(self) -> str:
        return f"<{len(self)} things, {len(self._items)} of them kept>"
