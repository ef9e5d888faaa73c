"""Bars as a player counts them, from measures as they are written.

A pickup and the short measure before it make one bar, wherever a repeat, a section or a jump brings them together. Two
careless ways of writing are evened out, because a player would: a pickup that comes back after a full bar is played over the end
of that bar if nothing else begins there, and a bar that is short by its section's pickup, which the next section does not
bring, is waited out.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from underbow.tune.tune import Bar, Measure, Tune


@dataclass(slots=True)
class OpenBar:
    """A bar in the making: where it starts, what it holds so far, the index of its first measure."""

    start: Fraction
    length: Fraction
    index: int
    measure: Measure

    @property
    def full(self) -> Fraction:
        """What its meter asks for."""
        return self.measure.meter.bar


@dataclass(slots=True)
class Laid:
    """Bars laid end to end, where each measure played starts, and the measures whose pickup was laid over the bar before."""

    bars: list[OpenBar] = field(default_factory=list)
    starts: list[Fraction] = field(default_factory=list)
    overlaid: list[int] = field(default_factory=list)

    @property
    def pickup(self) -> Fraction:
        """Length of the pickup that the tune begins with; 0 for none."""
        first = self.bars[0]
        return first.length if len(self.bars) > 1 and first.length < first.full else Fraction(0)

    def numbered(self) -> tuple[Bar, ...]:
        """Give the bars with their numbers: 0 for the pickup, then from 1."""
        return tuple(
            Bar(number, bar.start, bar.length, bar.measure.section, bar.measure.meter, bar.measure.key)
            for number, bar in enumerate(self.bars, start=0 if self.pickup else 1)
        )


def lay(tune: Tune, order: tuple[int, ...] | None = None, *, exact: bool = False) -> Laid:
    """Lay the bars of a tune in the order played.

    Parameters
    ----------
    tune : Tune
    order : tuple of int or None
        Another order than the tune's own.
    exact : bool
        Whether every measure keeps its written length, careless or not.
    """
    order = tune.order if order is None else order
    laid = Laid()
    at = Fraction(0)
    for n, index in enumerate(order):
        measure = tune.measures[index]
        edge = n > 0 and edge_between(tune, order[n - 1], index)
        last = laid.bars[-1] if laid.bars else None
        if last is not None and 0 < measure.length < measure.meter.bar:
            together = last.length + measure.length
            if last.length < last.full and (together == last.full or (edge and together < last.full)):
                if edge or len(laid.bars) > 1:
                    laid.starts.append(at)
                    last.length = together
                    at += measure.length
                    continue
            elif edge and not exact and _fits_over(tune, order, n, last):
                laid.starts.append(last.start + last.full - measure.length)
                laid.overlaid.append(index)
                last.length = last.full
                at = last.start + last.full
                continue
        elif last is not None and edge and not exact and len(laid.bars) > 1 and measure.length == measure.meter.bar:
            missing = last.full - last.length
            if missing and missing in (pickup_of(tune, order[n - 1]), laid.pickup):
                last.length = last.full
                at += missing
        laid.starts.append(at)
        if measure.length:
            laid.bars.append(OpenBar(at, measure.length, index, measure))
            at += measure.length
    if not laid.bars and order:
        laid.bars.append(OpenBar(at, at, order[0], tune.measures[order[0]]))
    return laid


def edge_between(tune: Tune, before: int, here: int) -> bool:
    """Whether a jump, a repeat sign, a double bar or a new section lies between two measures played in turn."""
    first, second = tune.measures[before], tune.measures[here]
    return (
        here != before + 1
        or bool(first.repeat_end or first.final or second.repeat_start)
        or first.section != second.section
    )


def _fits_over(tune: Tune, order: tuple[int, ...], n: int, bar: OpenBar) -> bool:
    """Whether a pickup can be played over the end of the bar before it: no other note begins there, a full bar follows."""
    pickup, before = tune.measures[order[n]], tune.measures[order[n - 1]]
    if bar.length > bar.full or before.length < bar.length or n + 1 >= len(order):
        return False
    after = tune.measures[order[n + 1]]
    room = bar.full - pickup.length
    return after.length >= after.meter.bar and room > 0 and all(note.start < room for note in before.notes)


def pickup_of(tune: Tune, index: int) -> Fraction:
    """Length of the pickup that the section of a measure begins with; 0 for none."""
    name = tune.measures[index].section
    first = next(measure for measure in tune.measures if measure.section == name)
    return first.length if first.length < first.meter.bar else Fraction(0)


def written_numbers(tune: Tune) -> tuple[int, ...]:
    """Number of the bar that each measure belongs to, counted down the page without repeats.

    A pickup has the number of the bar before it, which it completes; the one at the beginning has 0.
    """
    laid = lay(tune, tuple(range(len(tune.measures))), exact=True)
    numbers: list[int] = []
    bars = [(bar.start, bar.number) for bar in laid.numbered()]
    at = 0
    for start in laid.starts:
        while at + 1 < len(bars) and bars[at + 1][0] <= start:
            at += 1
        numbers.append(bars[at][1])
    return tuple(numbers)


@dataclass(frozen=True, slots=True)
class Uneven:
    """A bar that does not fill its meter, as played: its first measure, what it holds, the full bar that a pickup follows."""

    index: int
    length: Fraction
    after: int | None


def uneven(tune: Tune) -> list[Uneven]:
    """Find the bars that do not fill their meter, once each, down the page."""
    laid = lay(tune)
    out: dict[int, Uneven] = {}
    for n, bar in enumerate(laid.bars):
        closing = n == len(laid.bars) - 1 and bar.length < bar.full
        fits = bar.length == bar.full or (n == 0 and laid.pickup) or (closing and bar.length + laid.pickup == bar.full)
        if not fits and bar.index not in out:
            before = laid.bars[n - 1] if n else None
            comes_back = before is not None and bar.index != before.index + 1 and before.length == before.full
            out[bar.index] = Uneven(bar.index, bar.length, before.index if before and comes_back else None)
    return [out[index] for index in sorted(out)]
