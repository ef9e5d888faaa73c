"""Where everything lies in a track: the count-in, the passes, their bars, and what swing does to a position.

The last bar of a pass and the pickup of the next one make one bar. So a pass is as long as its bars, less the pickup that it
leaves to the next one; what accompanies (backup, rhythm, click) is laid out in *frames*, which are whole bars. The last pass
has its last bar to the end, since no pickup comes after it: there the players close together and let it ring.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import partial
from typing import TypeVar

from underbow.fiddle.pattern import Pattern, default_pattern
from underbow.theory.chord import Chord
from underbow.theory.progression import ChordSpan, joined
from underbow.track.performance import PlayedBar
from underbow.track.rounds import LAID_OUT, Rounds
from underbow.track.sheet.model import Sheet
from underbow.tune.tune import Bar


@dataclass(frozen=True, slots=True)
class Frame:
    """A whole bar of a pass: where it lies in the track (quarters) and which pattern is played in it."""

    pass_number: int
    bar: Bar
    start: Fraction
    length: Fraction
    pattern: Pattern
    section_start: bool

    @property
    def end(self) -> Fraction:
        """Where the next one begins."""
        return self.start + self.length

    @property
    def regular(self) -> bool:
        """Whether the bar is as long as its meter says."""
        return self.length == self.bar.meter.bar


@dataclass(frozen=True, slots=True)
class Heard:
    """A chord in force over a stretch of the track: its place among the melody's chords, -1 where none is."""

    start: Fraction
    end: Fraction
    index: int


@dataclass(frozen=True, slots=True)
class Timeline:
    """The layout of a track, in quarters from its first click.

    Parameters
    ----------
    count_in : Fraction
        Where the first pass begins.
    starts, lengths : tuple of Fraction
        Of the passes.
    frames : sequence of Frame
        One after the other without a gap.
    heard : sequence of Heard
        From the first chord to the end of the last pass, without a gap.
    bars : sequence of PlayedBar
        Pickups among them; without a gap from the first pass to the end.
    chords : sequence of ChordSpan
        What is heard, neighbours with the same chord joined.
    closing : Fraction
        Where the last chord of the track is struck and held: on the beat of the melody's last note.
    """

    count_in: Fraction
    starts: tuple[Fraction, ...]
    lengths: tuple[Fraction, ...]
    frames: Rounds[Frame]
    heard: Rounds[Heard]
    bars: Rounds[PlayedBar]
    chords: Rounds[ChordSpan]
    closing: Fraction
    _straight: bool = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_straight", all(frame.pattern.grid.swing == 0.5 for frame in self.frames.laid_out))

    @property
    def end(self) -> Fraction:
        """Where the last pass ends."""
        return self.starts[-1] + self.lengths[-1]

    def swung(self, at: Fraction) -> Fraction:
        """Move a position to where the swing of its bar's pattern puts it; bar lines stay where they are."""
        if self._straight:
            return at
        frame = self.frames[self.frames.at(at)]
        grid = frame.pattern.grid
        if grid.swing == 0.5 or frame.length % (2 * grid.cell):  # a bar that doesn't fill its pairs is played straight
            return at
        return frame.start + grid.swung(at - frame.start)

    def between(self, start: Fraction, end: Fraction) -> list[Heard]:
        """Chords heard in a stretch, cut to it, in order."""
        return _between(self.heard, start, end)


Item = TypeVar("Item", Frame, Heard, PlayedBar, ChordSpan)


def lay_out(sheet: Sheet) -> Timeline:
    r"""Lay a sheet's passes out one after the other.

    >>> from underbow.track.sheet.read import build_sheet
    >>> abc = 'X:1\nT:Two bars\nM:4/4\nL:1/4\nK:G\nD|"G"GABc|"D"d3|]'
    >>> laid = lay_out(build_sheet({"abc": abc, "pattern": "saw", "tempo": {"start": 60, "goal": 80, "passes": 2}}))
    >>> [int(start) for start in laid.starts], [int(length) for length in laid.lengths]  # the last bar to its end
    ([7, 15], [8, 9])
    """
    melody = sheet.melody
    full = [bar for bar in melody.bars if bar.number > 0]
    last, meter = full[-1], full[0].meter
    if last.length <= last.meter.bar and melody.pickup < last.meter.bar:
        loop = last.start + last.meter.bar - melody.pickup  # a last bar written full is cut by the next pickup
        end = last.start + last.meter.bar
    else:
        loop = end = last.end
    passes = sheet.ramp.passes
    count_in = max(meter.bar * sheet.count_in - melody.pickup, Fraction(0))
    starts = tuple(count_in + loop * i for i in range(passes))
    laid = starts[: min(passes, LAID_OUT)]
    spans = [*zip(laid, (loop,) * (len(laid) - 1) + (end,), strict=True)]

    def rounds(items: list[Item], passes: int = passes) -> Rounds[Item]:
        if passes > len(laid) and items[-1].start < laid[1]:  # one chord, or none, all the way
            items, passes = [*items[:-1], _longer(items[-1], starts[-1] - laid[-1])], len(laid)  # type: ignore[list-item]
        return Rounds(items, laid, passes, partial(_later, loop))

    heard = _heard(sheet, spans)
    some = rounds(heard, len(laid))
    frames = [frame for i, span in enumerate(spans, 1) for frame in _frames(sheet, full, i, *span, last=i == len(laid))]
    bars = [bar for i, span in enumerate(spans, 1) for bar in _bars(sheet, some, i, *span)]
    chords = joined([ChordSpan(one.start, one.end - one.start, _chord(sheet, one)) for one in heard])
    return Timeline(
        count_in=count_in,
        starts=starts,
        lengths=(loop,) * (passes - 1) + (end,),
        frames=rounds(frames),
        heard=rounds(heard),
        bars=rounds(bars),
        chords=rounds(list(chords)),
        closing=_closing(sheet, frames[-1], laid[-1], heard) + starts[-1] - laid[-1],
    )


def _later(loop: Fraction, item: Item, passes: int) -> Item:
    by = loop * passes
    if isinstance(item, Heard):
        return Heard(item.start + by, item.end + by, item.index)
    if isinstance(item, ChordSpan):
        return replace(item, start=item.start + by)
    return replace(item, start=item.start + by, pass_number=item.pass_number + passes)


def _longer(item: Item, by: Fraction) -> Item:
    if isinstance(item, Heard):
        return replace(item, end=item.end + by)
    return replace(item, length=item.length + by)


def _between(heard: Rounds[Heard], start: Fraction, end: Fraction) -> list[Heard]:
    out = []
    for index in range(heard.at(start), len(heard)):
        one = heard[index]
        begin, finish = max(one.start, start), min(one.end, end)
        if begin < finish:
            out.append(Heard(begin, finish, one.index))
        if one.end >= end:
            break
    return out


def _closing(sheet: Sheet, frame: Frame, start: Fraction, heard: list[Heard]) -> Fraction:
    """Find the beat in the last bar that the melody's last note begins on, or the one before it; no chord comes after it."""
    notes = sheet.melody.notes
    last = max(start + notes[-1].start if notes else frame.start, heard[-1].start, frame.start)
    meter = frame.bar.meter
    rounds = int(-(-frame.length // meter.bar))
    beats = [frame.start + meter.bar * i + beat for i in range(rounds) for beat in meter.beats]
    return max([beat for beat in beats if beat <= last and beat >= heard[-1].start] or [last])


def _frames(
    sheet: Sheet, full: list[Bar], number: int, at: Fraction, length: Fraction, *, last: bool
) -> Iterator[Frame]:
    """Lay out a pass's whole bars; the last one holds the next pass's pickup, but for the last of all."""
    first_bars = {section.first_bar for section in sheet.melody.sections}
    end = at + length + (0 if last else sheet.melody.pickup)
    for bar in full:
        start = at + bar.start
        reach = end - start if bar is full[-1] else bar.length
        yield Frame(number, bar, start, reach, _pattern(sheet, bar), bar.number in first_bars)


def _pattern(sheet: Sheet, bar: Bar) -> Pattern:
    """Pattern of a bar: its section's, or what suits a meter that it doesn't fit."""
    pattern = sheet.pattern(bar.section)
    if pattern.grid.meter.bar == bar.meter.bar:
        return pattern
    return pattern.fitted(bar.meter) if pattern.suits(bar.meter) else default_pattern(bar.meter, sheet.tune.rhythm)


def _heard(sheet: Sheet, spans: list[tuple[Fraction, Fraction]]) -> list[Heard]:
    """Chords of the passes (start and length of each); the last one of a pass holds on until the next pass brings its own."""
    first, end = spans[0][0], sum(spans[-1], Fraction(0))
    begun = [(at + span.start, index) for at, _ in spans for index, span in enumerate(sheet.melody.chords)]
    if not begun:
        return [Heard(first, end, -1)]
    stops = [at for at, _ in begun[1:]] + [end]
    out = [Heard(at, stop, index) for (at, index), stop in zip(begun, stops, strict=True) if at < stop]
    return ([Heard(first, out[0].start, -1)] if out[0].start > first else []) + out


def _chord(sheet: Sheet, heard: Heard) -> Chord | None:
    return sheet.melody.chords[heard.index].chord if heard.index >= 0 else None


def _bars(sheet: Sheet, heard: Rounds[Heard], number: int, at: Fraction, length: Fraction) -> Iterator[PlayedBar]:
    for bar in sheet.melody.bars:
        start = at + bar.start
        stop = at + length if bar is sheet.melody.bars[-1] else at + bar.end
        names = [str(_chord(sheet, one) or "-") for one in _between(heard, start, stop)]
        meter = bar.meter if bar.meter != sheet.tune.meter else None
        yield PlayedBar(number, bar.number, start, stop - start, bar.section, tuple(names), meter)
