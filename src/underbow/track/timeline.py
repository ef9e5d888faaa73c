"""Where everything lies in a track: the count-in, the passes, their bars, and what swing does to a position.

The last bar of a pass and the pickup of the next one make one bar. So a pass is as long as its bars, less the pickup that it
leaves to the next one; what accompanies (backup, rhythm, click) is laid out in *frames*, which are whole bars. The last pass
has its last bar to the end, since no pickup comes after it: there the players close together and let it ring.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field, replace
from fractions import Fraction

from underbow.fiddle.pattern import Pattern, default_pattern
from underbow.theory.progression import ChordSpan, joined
from underbow.track.performance import PlayedBar
from underbow.track.sheet import Sheet
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
    frames : tuple of Frame
        One after the other without a gap.
    heard : tuple of Heard
        From the first chord to the end of the last pass, without a gap.
    bars : tuple of PlayedBar
        Pickups among them; without a gap from the first pass to the end.
    closing : Fraction
        Where the last chord of the track is struck and held: on the beat of the melody's last note.
    """

    count_in: Fraction
    starts: tuple[Fraction, ...]
    lengths: tuple[Fraction, ...]
    frames: tuple[Frame, ...]
    heard: tuple[Heard, ...]
    bars: tuple[PlayedBar, ...]
    closing: Fraction
    _frame_starts: tuple[Fraction, ...] = field(init=False, repr=False, compare=False)
    _heard_starts: tuple[Fraction, ...] = field(init=False, repr=False, compare=False)
    _straight: bool = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_frame_starts", tuple(frame.start for frame in self.frames))
        object.__setattr__(self, "_heard_starts", tuple(heard.start for heard in self.heard))
        object.__setattr__(self, "_straight", all(frame.pattern.grid.swing == 0.5 for frame in self.frames))

    @property
    def end(self) -> Fraction:
        """Where the last pass ends."""
        return self.starts[-1] + self.lengths[-1]

    def swung(self, at: Fraction) -> Fraction:
        """Move a position to where the swing of its bar's pattern puts it; bar lines stay where they are."""
        if self._straight:
            return at
        index = max(bisect_right(self._frame_starts, at) - 1, 0)
        frame = self.frames[index]
        grid = frame.pattern.grid
        if grid.swing == 0.5 or frame.length % (2 * grid.cell):  # a bar that doesn't fill its pairs is played straight
            return at
        return frame.start + grid.swung(at - frame.start)

    def between(self, start: Fraction, end: Fraction) -> list[Heard]:
        """Chords heard in a stretch, cut to it, in order."""
        out = []
        for index in range(max(bisect_right(self._heard_starts, start) - 1, 0), len(self.heard)):
            heard = self.heard[index]
            if heard.start >= end:
                break
            begin, finish = max(heard.start, start), min(heard.end, end)
            if begin < finish:
                out.append(Heard(begin, finish, heard.index))
        return out


def lay_out(sheet: Sheet) -> Timeline:
    """Lay a sheet's passes out one after the other."""
    melody = sheet.melody
    full = [bar for bar in melody.bars if bar.number > 0]
    last, meter = full[-1], full[0].meter
    if last.length <= last.meter.bar and melody.pickup < last.meter.bar:
        loop = last.start + last.meter.bar - melody.pickup  # a last bar written full is cut by the next pickup
        end = last.start + last.meter.bar
    else:
        loop = end = last.end
    count = sheet.ramp.passes
    lengths = (loop,) * (count - 1) + (end,)
    count_in = max(meter.bar * sheet.count_in - melody.pickup, Fraction(0))
    starts = tuple(count_in + loop * i for i in range(count))
    frames = [frame for i, at in enumerate(starts) for frame in _frames(sheet, full, i + 1, at=at, end=at + lengths[i])]
    heard = _heard(sheet, starts, starts[-1] + lengths[-1])
    closing = _closing(sheet, frames[-1], starts[-1], heard)
    timeline = Timeline(count_in, starts, lengths, tuple(frames), tuple(heard), (), closing)
    return replace(timeline, bars=tuple(_bars(sheet, timeline)))


def chord_spans(sheet: Sheet, timeline: Timeline) -> tuple[ChordSpan, ...]:
    """Chords over the whole track, repeated ones joined."""
    chords = sheet.melody.chords
    return joined(
        [ChordSpan(h.start, h.end - h.start, chords[h.index].chord if h.index >= 0 else None) for h in timeline.heard]
    )


def _closing(sheet: Sheet, frame: Frame, start: Fraction, heard: list[Heard]) -> Fraction:
    """Find the beat in the last bar that the melody's last note begins on, or the one before it; no chord comes after it."""
    notes = sheet.melody.notes
    last = max(start + notes[-1].start if notes else frame.start, heard[-1].start, frame.start)
    meter = frame.bar.meter
    rounds = int(-(-frame.length // meter.bar))
    beats = [frame.start + meter.bar * i + beat for i in range(rounds) for beat in meter.beats]
    return max([beat for beat in beats if beat <= last and beat >= heard[-1].start] or [last])


def _frames(sheet: Sheet, full: list[Bar], number: int, *, at: Fraction, end: Fraction) -> list[Frame]:
    first_bars = {section.first_bar for section in sheet.melody.sections}
    out = []
    for bar in full:
        start = at + bar.start
        length = bar.length
        if bar is full[-1]:
            length = end - start if number == sheet.ramp.passes else end - start + sheet.melody.pickup
        out.append(Frame(number, bar, start, length, _pattern(sheet, bar), bar.number in first_bars))
    return out


def _pattern(sheet: Sheet, bar: Bar) -> Pattern:
    """Pattern of a bar: its section's, or what suits a meter that it doesn't fit."""
    pattern = sheet.pattern(bar.section)
    if pattern.grid.meter.bar == bar.meter.bar:
        return pattern
    return pattern.fitted(bar.meter) if pattern.suits(bar.meter) else default_pattern(bar.meter, sheet.tune.rhythm)


def _heard(sheet: Sheet, starts: tuple[Fraction, ...], end: Fraction) -> list[Heard]:
    """Chords of every pass; the last one of a pass holds on until the next pass brings its own."""
    begun = [
        (at + span.start, index)
        for at in starts
        for index, span in enumerate(sheet.melody.chords)
    ]  # fmt: skip
    if not begun:
        return [Heard(starts[0], end, -1)]
    stops = [at for at, _ in begun[1:]] + [end]
    out = [Heard(at, stop, index) for (at, index), stop in zip(begun, stops, strict=True) if at < stop]
    return ([Heard(starts[0], out[0].start, -1)] if out[0].start > starts[0] else []) + out


def _bars(sheet: Sheet, timeline: Timeline) -> list[PlayedBar]:
    out = []
    for number, (at, length) in enumerate(zip(timeline.starts, timeline.lengths, strict=True), start=1):
        for bar in sheet.melody.bars:
            start = at + bar.start
            stop = at + length if bar is sheet.melody.bars[-1] else at + bar.end
            names = [
                "-" if heard.index < 0 or (chord := sheet.melody.chords[heard.index].chord) is None else str(chord)
                for heard in timeline.between(start, stop)
            ]
            meter = bar.meter if bar.meter != sheet.tune.meter else None
            out.append(PlayedBar(number, bar.number, start, stop - start, bar.section, tuple(names), meter))
    return out
