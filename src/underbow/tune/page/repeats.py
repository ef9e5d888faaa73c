"""The order in which measures are played: repeats, endings, the order of parts, D.C. and D.S.

By the ABC standard 2.1, sections 3.1.9 and 4.8 to 4.10. A ``:|`` without ``|:`` goes back to the latest of: the start of the
tune (or part), the latest double bar, the latest end of a repeat. ``|::`` is played three times. An ending lasts to the next
ending or to a ``||``, ``:|``, ``|]``, ``|:``. A second ending that is closed by ``:|`` is not played once more. D.C. and D.S.
are obeyed once, after all repeats, and without repeating again (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import accumulate, pairwise

from underbow.tune.page.draft import Draft

MOST_PLAYED = 20_000  # measures played; an hour of reels has some 4,000
Say = Callable[[str, int], None]  # what, place


class TooManyMeasuresError(Exception):
    """The tune written out is beyond the stated limit."""


@dataclass(slots=True)
class _Block:
    """Measures played several times: what all passes share, then the endings with their numbers."""

    start: int
    body_end: int
    end: int
    passes: int
    endings: list[tuple[tuple[int, ...], int, int]] = field(default_factory=list)

    def played(self, number: int) -> list[int]:
        """Measures of one pass, from 1."""
        out = list(range(self.start, self.body_end))
        for numbers, start, end in self.endings:
            if number in numbers:
                return out + list(range(start, end))
        return out


def order_of(measures: list[Draft], parts: tuple[str, ...], say: Say, *, jumps: bool = True) -> list[int]:
    """Give the indices of the measures in the order played.

    Parameters
    ----------
    measures : list of Draft
    parts : tuple of str
        The order of parts from the header, a letter each; empty where it has none.
    say : callable
        Told what was assumed, with a place in the text.
    jumps : bool
        Whether D.C. and D.S. are obeyed.

    Raises
    ------
    TooManyMeasuresError
        Where that would be more than ``MOST_PLAYED``.

    >>> from underbow.theory.key import Key
    >>> from underbow.theory.meter import Meter
    >>> bars = [Draft(Key.parse("G"), Meter.parse("4/4"), place) for place in (0, 9)]
    >>> bars[0].repeat_end = 1
    >>> order_of(bars, (), print)
    [0, 0, 1]
    """
    labels = [i for i, measure in enumerate(measures) if measure.part]
    stretches = _stretches(labels, len(measures))
    if parts and labels:
        order = _in_parts(measures, parts, stretches, say)
    else:
        order = [i for start, end in stretches for i in _expanded(measures, start, end, say)]
        _limit(order)
    return _with_jumps(measures, order, say) if jumps else order


def _limit(order: list[int]) -> None:
    if len(order) > MOST_PLAYED:
        raise TooManyMeasuresError


def _stretches(labels: list[int], count: int) -> list[tuple[int, int]]:
    starts = sorted({0, *labels})
    return list(zip(starts, [*starts[1:], count], strict=True)) if count else []


def _in_parts(measures: list[Draft], parts: tuple[str, ...], stretches: list[tuple[int, int]], say: Say) -> list[int]:
    """Play the parts in the header's order; what stands before the first one is played first."""
    played: dict[str, list[int]] = {}
    order: list[int] = []
    for start, end in stretches:
        expanded = _expanded(measures, start, end, say)
        name = measures[start].part[:1]
        if not name:
            order += expanded
        elif name in played:
            say(f"part {name} is written twice; the order of parts plays the first one", measures[start].place)
        else:
            played[name] = expanded
    missing = dict.fromkeys(name for name in parts if name not in played)
    for name in missing:
        say(f"the order of parts asks for part {name}, which is not there; left out", measures[0].place)
    for name in parts:
        order += played.get(name, [])
        _limit(order)
    return order


def _expanded(measures: list[Draft], start: int, end: int, say: Say) -> list[int]:
    """Write out the repeats of measures ``start`` to ``end``."""
    order: list[int] = []
    back = start  # measures before it are written out; a repeat sign goes back to it
    opened = False
    i = start
    while i < end:
        measure = measures[i]
        if measure.repeat_start:
            order += range(back, i)
            if opened and i > back:
                say("|: while the |: before it has no :|; the repeat is assumed to end here", measure.place)
                order += list(range(back, i)) * measures[back].repeat_start
            back, opened = i, True
        if measure.ending_start and i >= back:
            block = _block(measures, back, i, end, say)
        elif measure.repeat_end:
            block = _plain_block(measures, back, i, end, say)
        else:
            if measure.final and not opened and not (i + 1 < end and measures[i + 1].ending_start):
                order += range(back, i + 1)
                back = i + 1
            i += 1
            continue
        for number in range(1, block.passes + 1):
            order += block.played(number)
            _limit(order)
        i = back = block.end
        opened = False
    order += range(back, end)
    _limit(order)
    return order


def _plain_block(measures: list[Draft], start: int, last: int, end: int, say: Say) -> _Block:
    """Read a repeat closed at ``last`` without endings; a second ending alone after it replaces its last measures."""
    passes = max(measures[start].repeat_start, measures[last].repeat_end) + 1
    after = last + 1
    if after < end and measures[after].ending_start and min(measures[after].ending, default=1) > 1:
        block = _block(measures, after, after, end, say)
        length = min(block.endings[0][2] - block.endings[0][1], after - start)
        say(
            "a second ending without a first one; it replaces as many bars before the repeat sign",
            measures[after].place,
        )
        first = after - length
        endings = [((1,), first, after), *block.endings]
        return _Block(start, first, block.end, max(passes, block.passes), endings)
    return _Block(start, after, after, passes)


def _block(measures: list[Draft], start: int, first: int, end: int, say: Say) -> _Block:
    """Read the endings that begin at measure ``first``."""
    endings: list[tuple[tuple[int, ...], int, int]] = []
    first_bar = first
    while first_bar < end and measures[first_bar].ending_start:
        if first_bar > first and measures[first_bar].ending[:1] == (1,) and 1 in endings[0][0]:
            break  # the first ending of the next section
        stop = first_bar + 1
        while stop < end and not _ends(measures, stop):
            stop += 1
        endings.append((measures[first_bar].ending, first_bar, stop))
        first_bar = stop
    numbers = [number for group, _, _ in endings for number in group]
    passes = max(numbers)
    if len(endings) == 1:
        closed = measures[first_bar - 1].repeat_end
        colons = max(measures[start].repeat_start if start < first else 0, closed)
        passes = min(colons, 1) + 1 if passes == 1 else max(passes + min(closed, 1), colons + 1)
    gaps = [number for number in range(1, passes) if number not in numbers]
    if gaps and start < first:
        say(f"ending {gaps[0]} is missing; the endings are played in the order written", measures[first].place)
        endings = [((i,), begin, stop) for i, (_, begin, stop) in enumerate(endings, start=1)]
        passes = len(endings)
    return _Block(start, first, first_bar, passes, endings)


def _ends(measures: list[Draft], index: int) -> bool:
    """Whether an ending is over before a measure."""
    before, here = measures[index - 1], measures[index]
    return bool(before.repeat_end or before.final or here.repeat_start or here.ending_start or not here.ending)


def _with_jumps(measures: list[Draft], order: list[int], say: Say) -> list[int]:
    """Carry out the first D.C. or D.S.: after its last repeat, once, to Fine or through the coda."""
    jump = next((i for i, m in enumerate(measures) if any(j.startswith("D.") for j in m.jumps)), None)
    if jump is None or jump not in order:
        return order
    word = next(j for j in measures[jump].jumps if j.startswith("D."))
    place = measures[jump].place
    target = 0
    if word.startswith("D.S."):
        signs = [i for i, m in enumerate(measures) if "segno" in m.jumps]
        if not signs:
            say("D.S. without a segno to go back to; ignored", place)
            return order
        target = signs[0]
    straight = _straight(measures, order, target)
    last = len(order) - 1 - order[::-1].index(jump)
    codas = [i for i, m in enumerate(measures) if "coda" in m.jumps and i > jump]
    leave = next(
        (n for n, i in enumerate(straight) if measures[i].jumps.keys() & {"to coda", "coda"} and i <= jump), None
    )
    if word.endswith("al coda") or (codas and leave is not None):
        if not codas or leave is None:
            say(f"{word} without the coda signs that it needs; ignored", place)
            return order
        leave += "to coda" in measures[straight[leave]].jumps
        return order[: last + 1] + straight[:leave] + list(range(codas[0], len(measures)))
    fine = next((n for n, i in enumerate(straight) if "fine" in measures[i].jumps), None)
    if fine is None:
        say(f"{word} without Fine; ignored: the next time round begins at the top anyway", place)
        return order
    return order[: last + 1] + straight[: fine + 1]


def _straight(measures: list[Draft], order: list[int], target: int) -> list[int]:
    """Play once through from a measure without repeats, in the order of the page: of endings the one that is played last."""
    begins = (
        not here.ending or (here.ending_start and (here.ending[0] == 1 or not before.ending))
        for before, here in pairwise([measures[0], *measures])
    )
    repeats = list(accumulate(begins))  # the endings of one repeat have one number, any other measure has its own
    last = {index: n for n, index in enumerate(order)}
    ending = {repeats[index]: measures[index].ending for index in sorted(last, key=lambda index: last[index])}
    return [i for i in sorted(last) if i >= target and measures[i].ending == ending[repeats[i]]]
