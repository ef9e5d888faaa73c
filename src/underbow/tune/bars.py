"""Bars as a player counts them, from measures as they are written.

A pickup and the short measure before it make one bar, wherever a repeat, a section or a jump brings them together. What does
not come out even there is evened out, because a player keeps the beat: a bar that stays short is filled with a rest, with the
pickup at its end; a pickup that comes back after a full bar is played over that bar's end if nothing else begins there, else
it is left out that time. This is done here and nowhere else.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from fractions import Fraction

from underbow.tune.tune import Bar, Measure, Note, Tune


@dataclass(slots=True)
class OpenBar:
    """A bar in the making: where it starts, what it holds so far, its measures and where in it each begins."""

    start: Fraction
    length: Fraction
    measure: Measure  # the first one
    measures: list[tuple[int, Fraction]]

    @property
    def index(self) -> int:
        """Index of its first measure."""
        return self.measures[0][0]

    @property
    def full(self) -> Fraction:
        """What its meter asks for."""
        return self.measure.meter.bar

    @property
    def room(self) -> Fraction:
        """What it lacks; negative where it holds too much."""
        return self.full - self.length

    @property
    def end(self) -> Fraction:
        """Where what it holds so far ends."""
        return self.start + self.length

    def take(self, index: int, start: Fraction) -> Fraction:
        """Let a measure begin in it; give its start."""
        self.measures.append((index, start - self.start))
        return start


@dataclass(frozen=True, slots=True)
class Uneven:
    """Something that did not come out even: a bar by its first measure, what it holds, and what was done about it."""

    index: int
    length: Fraction
    done: str  # "" nothing, "waited", "over" the pickup after it is played over its end, "out" it is left out


@dataclass(slots=True)
class Laid:
    """Bars laid end to end; where each measure played starts, None where it is left out; what was evened out."""

    bars: list[OpenBar] = field(default_factory=list)
    starts: list[Fraction | None] = field(default_factory=list)
    uneven: list[Uneven] = field(default_factory=list)

    @property
    def pickup(self) -> Fraction:
        """Length of the pickup that the tune begins with; 0 for none."""
        first = self.bars[0]
        return first.length if len(self.bars) > 1 and first.length < first.full else Fraction(0)


def lay(tune: Tune, order: tuple[int, ...], *, exact: bool = False) -> Laid:
    """Lay the bars of a tune in the order played.

    Parameters
    ----------
    tune : Tune
    order : tuple of int
        Indices of measures: the tune's own order, or another.
    exact : bool
        Whether every measure keeps its written length, careless or not.
    """
    laid = Laid()
    for n, index in enumerate(order):
        measure = tune.measures[index]
        if n and laid.bars and measure.length and _joins(tune, order, n, laid, exact=exact):
            continue
        start = laid.bars[-1].end if laid.bars else Fraction(0)
        laid.starts.append(start)
        if measure.length:
            laid.bars.append(OpenBar(start, measure.length, measure, [(index, Fraction(0))]))
    if not exact and len(laid.bars) > 1 and laid.bars[-1].room >= 0:
        _complete_last(tune, order, laid)
    if not laid.bars and order:
        laid.bars.append(OpenBar(Fraction(0), Fraction(0), tune.measures[order[0]], [(order[0], Fraction(0))]))
    return laid


def _complete_last(tune: Tune, order: tuple[int, ...], laid: Laid) -> None:
    """Let the last bar be short by just the pickup that it begins again with, or full, so that it can go round and round.

    Without a pickup it stays short where it is so for another section's sake.
    """
    last = laid.bars[-1]
    if last.room:
        if last.room not in (laid.pickup, *_pickups(tune)):
            laid.uneven.append(Uneven(last.index, last.length, "waited"))
        elif not laid.pickup:
            return
        last.length = last.full - (laid.pickup if last.room >= laid.pickup else 0)
    elif laid.pickup and _ends_on_pickup(tune, order[-1], laid.pickup):
        last.length -= laid.pickup


def _ends_on_pickup(tune: Tune, index: int, pickup: Fraction) -> bool:
    """Whether a full measure ends on what leads back: ``E|:GABc|A2E:|``.

    So it is where the tune goes from its end back to a full bar, and the last notes have just the pickup's room after a note
    that is longer than they are; not where they alone bring the tune home.
    """
    measure = tune.measures[index]
    back = any(
        here == index and after <= here and tune.measures[after].length >= tune.measures[after].meter.bar
        for here, after in zip(tune.order, tune.order[1:], strict=False)
    )
    cut = measure.length - pickup
    body = [note for note in measure.notes if note.start < cut]
    lead = [note for note in measure.notes if note.start >= cut]
    if not (back and body and lead) or lead[0].start != cut or max(note.length for note in lead) >= body[-1].length:
        return False

    def home(note: Note) -> bool:
        return note.midi % 12 == measure.key.tonic.number

    return home(body[-1]) or not home(lead[-1])


def _joins(tune: Tune, order: tuple[int, ...], n: int, laid: Laid, *, exact: bool) -> bool:
    """Let a measure join the bar before it where it belongs there; complete that bar where it needs it."""
    index, last = order[n], laid.bars[-1]
    measure = tune.measures[index]
    edge = edge_between(tune, order[n - 1], index)
    short = measure.length < measure.meter.bar
    room = last.room
    later = len(laid.bars) > 1 or not room  # the first bar of all may be a pickup
    fits = room == measure.length or (edge and measure.length < room and (exact or not _leads_on(tune, order, n)))
    if short and room > 0 and fits and (edge or later):
        laid.starts.append(last.take(index, last.end))
        last.length += measure.length
        return True
    if exact or not edge or not later or room < 0:
        return False
    held = last.length
    if not short:
        if room:
            if room not in (laid.pickup, *_pickups(tune)):
                laid.uneven.append(Uneven(last.index, held, "waited"))
            last.length = last.full
        return False
    if not _leads_on(tune, order, n):
        return False
    begin = last.start + last.full - measure.length
    if begin >= last.start + held:
        laid.starts.append(last.take(index, begin))
        laid.uneven.append(Uneven(last.index, held + measure.length, "waited"))
    elif _free(tune.measures[order[n - 1]], laid.starts[-1], begin):
        laid.starts.append(last.take(index, begin))
        laid.uneven.append(Uneven(last.index, held, "over"))
    else:
        laid.starts.append(None)
        laid.uneven.append(Uneven(last.index, held, "out"))
    last.length = last.full
    return True


def edge_between(tune: Tune, before: int, here: int) -> bool:
    """Whether a jump, a repeat sign, a double bar or a new section lies between two measures played in turn."""
    first, second = tune.measures[before], tune.measures[here]
    return (
        here != before + 1
        or bool(first.repeat_end or first.final or second.repeat_start)
        or first.section != second.section
    )


def is_pickup(tune: Tune, index: int, before: int | None) -> bool:
    """Whether a measure is a pickup: short, and the first, or across an edge from the measure before it."""
    measure = tune.measures[index]
    return measure.length < measure.meter.bar and (before is None or edge_between(tune, before, index))


def _leads_on(tune: Tune, order: tuple[int, ...], n: int) -> bool:
    """Whether a full measure follows a short one."""
    if n + 1 >= len(order):
        return False
    after = tune.measures[order[n + 1]]
    return after.length >= after.meter.bar


def _free(before: Measure, start: Fraction | None, place: Fraction) -> bool:
    """Whether no note of a measure begins at or after a place."""
    return start is not None and start < place and all(start + note.start < place for note in before.notes)


def _pickups(tune: Tune) -> set[Fraction]:
    """Lengths of the pickups that sections begin with."""
    firsts = {measure.section: measure for measure in reversed(tune.measures)}
    return {first.length for first in firsts.values() if first.length < first.meter.bar}


def number_bars(tune: Tune, laid: Laid, section_starts: frozenset[int]) -> tuple[Bar, ...]:
    """Give the bars with their printed numbers, and which time each is played.

    Parameters
    ----------
    tune : Tune
    laid : Laid
    section_starts : frozenset of int
        Places among the bars where a section begins.
    """
    printed = printed_numbers(tune)
    times: Counter[int] = Counter()
    bars = []
    for place, bar in enumerate(laid.bars):
        number = 0 if place == 0 and laid.pickup else max(printed[bar.index], 1)
        times[number] += 1
        first, measures = bar.measure, tuple(bar.measures)
        starts = place in section_starts
        bars.append(
            Bar(number, times[number], bar.start, bar.length, first.section, starts, first.meter, first.key, measures)
        )
    return tuple(bars)


def printed_numbers(tune: Tune) -> tuple[int, ...]:
    """Number of the bar that each measure belongs to, counted down the page without repeats.

    A pickup has the number of the bar before it, which it completes; the one at the beginning has 0.
    """
    laid = lay(tune, tuple(range(len(tune.measures))))
    first = 0 if laid.bars and laid.pickup else 1
    numbers: list[int] = []
    place = 0
    for start in laid.starts:
        while start is not None and place + 1 < len(laid.bars) and laid.bars[place + 1].start <= start:
            place += 1
        numbers.append(place + first)
    return tuple(numbers)


def find_uneven(tune: Tune) -> list[Uneven]:
    """Find what does not come out even as played, each once, down the page."""
    laid = lay(tune, tune.order)
    out: dict[tuple[int, str], Uneven] = {(found.index, found.done): found for found in reversed(laid.uneven)}
    for n, bar in enumerate(laid.bars):
        closing = n == len(laid.bars) - 1 and bar.room > 0
        fits = bar.room == 0 or (n == 0 and laid.pickup) or (closing and bar.room in (laid.pickup, *_pickups(tune)))
        if not fits:
            out.setdefault((bar.index, ""), Uneven(bar.index, bar.length, ""))
    return [out[key] for key in sorted(out)]
