"""Where everything lies in a track: the count-in, the passes, their bars, and what swing does to a position.

The last bar of a pass and the pickup of the next one make one bar. So a pass is as long as its bars, less the pickup that it
leaves to the next one; what accompanies (backup, rhythm, click) is laid out in whole bars. Passes that follow each other
without a break are a *stretch*: its last pass has its last bar to the end, since no pickup comes after it; there the players
close together and let it ring. A track has one stretch, or one for each tempo where the sheet asks for clicks between them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import partial
from typing import NamedTuple, TypeVar

from underbow.fiddle.pattern import Pattern, default_pattern
from underbow.theory.chord import Chord
from underbow.theory.meter import Meter, Tempo
from underbow.theory.progression import ChordSpan, joined
from underbow.track.ramp import TempoMap, tempo_map
from underbow.track.recurring import LAID_OUT, Recurring
from underbow.track.sheet.model import Sheet
from underbow.tune.tune import Bar

TUNING_SECONDS = 3.0  # for each string, at least


@dataclass(frozen=True, slots=True)
class WholeBar:
    """A whole bar of a pass: where it lies in the track (quarters) and which pattern is played in it.

    ``playing`` is the number of its pass, counted from 1 through the whole track.
    """

    playing: int
    bar: Bar
    start: Fraction
    length: Fraction
    pattern: Pattern

    @property
    def end(self) -> Fraction:
        """Where the next one begins."""
        return self.start + self.length

    @property
    def regular(self) -> bool:
        """Whether the bar is as long as its meter says."""
        return self.length == self.bar.meter.bar


@dataclass(frozen=True, slots=True)
class PlayedBar:
    """A bar of a pass: where it lies, its section, and the chords heard in it (as text, ``-`` for none).

    ``playing`` is the number of its pass, counted from 1 through the whole track; ``number`` is the printed one, 0 for a pickup;
    ``time`` says which time it is played in this pass. ``meter`` is there where it differs from the performance's.
    """

    playing: int
    number: int
    time: int
    start: Fraction
    length: Fraction
    section: str
    chords: tuple[str, ...]
    meter: Meter | None = None


@dataclass(frozen=True, slots=True)
class Heard:
    """A chord in force over a stretch of the track: its place among the melody's chords, -1 where none is."""

    start: Fraction
    end: Fraction
    index: int


@dataclass(frozen=True, slots=True)
class Stretch:
    """Passes without a break between them: which ones, from 0, where they begin and end, and where their last chord is struck."""

    passes: range
    start: Fraction
    end: Fraction
    closing: Fraction


@dataclass(frozen=True, slots=True)
class Timeline:
    """The layout of a track, in quarters from its first sound.

    Parameters
    ----------
    tuned : Fraction
        Where the count-in begins: the tuning notes are over.
    count_in : Fraction
        Where the first pass begins.
    starts, lengths : tuple of Fraction
        Of the passes.
    tempo : TempoMap
    stretches : tuple of Stretch
    whole_bars : sequence of WholeBar
        One after the other, without a gap within a stretch.
    heard : sequence of Heard
        From the first chord to the end of the last pass, without a gap within a stretch.
    bars : sequence of PlayedBar
        Pickups among them; without a gap within a stretch.
    chords : sequence of ChordSpan
        What is heard, neighbours with the same chord joined.
    until : Fraction or None
        From where on nobody needs to play, since only what comes before is wanted; None where all of it is.
    """

    tuned: Fraction
    count_in: Fraction
    starts: tuple[Fraction, ...]
    lengths: tuple[Fraction, ...]
    tempo: TempoMap
    stretches: tuple[Stretch, ...]
    whole_bars: Recurring[WholeBar]
    heard: Recurring[Heard]
    bars: Recurring[PlayedBar]
    chords: Recurring[ChordSpan]
    until: Fraction | None = None
    _straight: bool = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_straight", all(bar.pattern.grid.swing == 0.5 for bar in self.whole_bars.laid_out))

    @property
    def end(self) -> Fraction:
        """Where the last pass ends."""
        return self.starts[-1] + self.lengths[-1]

    def swung(self, position: Fraction) -> Fraction:
        """Move a position to where the swing of its bar's pattern puts it; bar lines stay where they are."""
        if self._straight:
            return position
        bar = self.whole_bars[self.whole_bars.place_of(position)]
        grid = bar.pattern.grid
        if grid.swing == 0.5 or bar.length % (2 * grid.cell):  # a bar that doesn't fill its pairs is played straight
            return position
        return bar.start + grid.swung(position - bar.start)

    def between(self, start: Fraction, end: Fraction) -> list[Heard]:
        """Chords heard in a stretch, cut to it, in order."""
        return _between(self.heard, start, end)

    def wanted(self, quarter: Fraction) -> bool:
        """Whether what begins at a position has to be played."""
        return self.until is None or quarter < self.until

    def places(self, passes: range) -> range:
        """Places of the whole bars of some passes."""
        count = len(self.whole_bars) // len(self.starts)
        return range(passes.start * count, passes.stop * count)

    def bars_of(self, passes: range) -> list[WholeBar]:
        """The whole bars of some passes."""
        return [self.whole_bars[place] for place in self.places(passes)]

    @property
    def pickup(self) -> Fraction:
        """What of a pass lies before its first whole bar."""
        return self.whole_bars[0].start - self.starts[0]


Item = TypeVar("Item", WholeBar, Heard, PlayedBar, ChordSpan)


def lay_out(sheet: Sheet) -> Timeline:
    r"""Lay a sheet's passes out one after the other.

    >>> from underbow.track.sheet.read import build_sheet
    >>> abc = 'X:1\nT:Two bars\nM:4/4\nL:1/4\nK:G\nD|"G"GABc|"D"d3|]'
    >>> laid = lay_out(build_sheet({"abc": abc, "pattern": "saw", "tempo": {"start": 60, "goal": 80, "passes": 2}}))
    >>> [int(start) for start in laid.starts], [int(length) for length in laid.lengths]  # the last bar to its end
    ([7, 15], [8, 9])
    """
    melody, ramp = sheet.melody, sheet.ramp
    loop, whole, bar = melody.loop, melody.finish, melody.full_bars[0].meter.bar
    tuned = tuning_length(ramp.tempos[0], bar, len(sheet.tuning.midi)) if sheet.tuning_notes else Fraction(0)
    count_in = tuned + max(bar * sheet.count_in - melody.pickup, Fraction(0))
    gap, count = ramp.gap(bar, melody.pickup), ramp.playings
    unit = ramp.each if gap else 1  # passes that come again as a whole, only later
    period = loop * (unit - 1) + (whole + gap if gap else loop)
    starts = tuple(count_in + period * (i // unit) + loop * (i % unit) for i in range(count))
    stretches = [range(i, i + unit) for i in range(0, count, unit)] if gap else [range(count)]
    closing = {own[-1] for own in stretches}
    lengths = tuple(whole if i in closing else loop for i in range(count))
    laid = min(count // unit, LAID_OUT) * unit
    like = [*range(laid - unit), *range(count - unit, count)]  # the first passes, and the last ones in their place
    spans = [_Span(starts[i], lengths[pass_], pass_ in closing) for i, pass_ in enumerate(like)]
    units = starts[:laid:unit]

    def recurring(items: list[Item], of: int = count // unit) -> Recurring[Item]:
        if of > len(units) and items[-1].start < units[1]:  # one chord, or none, all the way
            items, of = [*items[:-1], _longer(items[-1], period * (of - len(units)))], len(units)  # type: ignore[list-item]
        return Recurring(items, units, of, partial(_later, period, unit))

    heard = _heard(sheet, spans)
    some = recurring(heard, len(units))
    whole_bars = [bar for playing, span in enumerate(spans, 1) for bar in _whole_bars(sheet, playing, span)]
    bars = [bar for playing, span in enumerate(spans, 1) for bar in _bars(sheet, some, playing, span)]
    chords = joined([ChordSpan(chord.start, chord.end - chord.start, _chord(sheet, chord)) for chord in heard])
    last_beat = _closing(sheet, whole_bars[-1], spans[-1].start, heard) - spans[-1].start
    return Timeline(
        tuned=tuned,
        count_in=count_in,
        starts=starts,
        lengths=lengths,
        tempo=tempo_map(ramp, count_in, lengths, gap),
        stretches=tuple(
            Stretch(own, starts[own[0]], starts[own[-1]] + lengths[own[-1]], starts[own[-1]] + last_beat)
            for own in stretches
        ),
        whole_bars=recurring(whole_bars),
        heard=recurring(heard),
        bars=recurring(bars),
        chords=recurring(list(chords)),
    )


class _Span(NamedTuple):
    """Where a pass lies, and whether it closes a stretch."""

    start: Fraction
    length: Fraction
    closes: bool

    @property
    def end(self) -> Fraction:
        return self.start + self.length


def tuning_length(tempo: Tempo, bar: Fraction, strings: int) -> Fraction:
    """Give the quarters that the tuning notes take before the count-in: whole bars.

    >>> int(tuning_length(Tempo(Fraction(100), Fraction(1)), Fraction(4), 4))  # 12 seconds are 20 quarters
    20
    """
    each = Fraction(TUNING_SECONDS) * tempo.quarters_per_minute / 60
    return bar * -(-each * strings // bar)


def _later(period: Fraction, per_unit: int, item: Item, units: int) -> Item:
    by = period * units
    if isinstance(item, Heard):
        return Heard(item.start + by, item.end + by, item.index)
    if isinstance(item, ChordSpan):
        return replace(item, start=item.start + by)
    return replace(item, start=item.start + by, playing=item.playing + per_unit * units)


def _longer(item: Item, by: Fraction) -> Item:
    if isinstance(item, Heard):
        return replace(item, end=item.end + by)
    return replace(item, length=item.length + by)


def _between(heard: Recurring[Heard], start: Fraction, end: Fraction) -> list[Heard]:
    out = []
    for index in range(heard.place_of(start), len(heard)):
        span = heard[index]
        begin, finish = max(span.start, start), min(span.end, end)
        if begin < finish:
            out.append(Heard(begin, finish, span.index))
        if span.end >= end:
            break
    return out


def _closing(sheet: Sheet, bar: WholeBar, start: Fraction, heard: list[Heard]) -> Fraction:
    """Find the beat in the last bar that the melody's last note begins on, or the one before it; no chord comes after it."""
    notes = sheet.melody.notes
    last = max(start + notes[-1].start if notes else bar.start, heard[-1].start, bar.start)
    meter = bar.bar.meter
    rounds = int(-(-bar.length // meter.bar))
    beats = [bar.start + meter.bar * i + beat for i in range(rounds) for beat in meter.beats]
    return max([beat for beat in beats if beat <= last and beat >= heard[-1].start] or [last])


def _whole_bars(sheet: Sheet, playing: int, span: _Span) -> Iterator[WholeBar]:
    """Lay out a pass's whole bars; the last one holds the next pass's pickup, but for what closes a stretch."""
    melody = sheet.melody
    end = span.end + (0 if span.closes else melody.pickup)
    for bar in melody.full_bars:
        begin = span.start + bar.start
        reach = end - begin if bar is melody.full_bars[-1] else bar.length
        yield WholeBar(playing, bar, begin, reach, _pattern(sheet, bar))


def _pattern(sheet: Sheet, bar: Bar) -> Pattern:
    """Pattern of a bar: its section's, or what suits a meter that it doesn't fit."""
    pattern = sheet.pattern(bar.section)
    if pattern.grid.meter.bar == bar.meter.bar:
        return pattern
    return pattern.fitted(bar.meter) if pattern.suits(bar.meter) else default_pattern(bar.meter, sheet.tune.rhythm)


def _heard(sheet: Sheet, spans: list[_Span]) -> list[Heard]:
    """Chords of the passes; the last one of a pass holds on until the next pass brings its own, or the stretch ends."""
    out: list[Heard] = []
    first = True
    for span in spans:
        begun = [(span.start + chord.start, index) for index, chord in enumerate(sheet.melody.chords)]
        if first and (not begun or begun[0][0] > span.start):
            out.append(Heard(span.start, span.end, -1))
        for start, index in begun:
            if out and (not first or out[-1].start >= span.start):
                out[-1] = replace(out[-1], end=start)
            out.append(Heard(start, span.end, index))
        if not begun:
            out[-1] = replace(out[-1], end=span.end)
        first = span.closes
    return [chord for chord in out if chord.start < chord.end]


def _chord(sheet: Sheet, heard: Heard) -> Chord | None:
    return sheet.melody.chords[heard.index].chord if heard.index >= 0 else None


def _bars(sheet: Sheet, heard: Recurring[Heard], playing: int, span: _Span) -> Iterator[PlayedBar]:
    for bar in sheet.melody.bars:
        begin = span.start + bar.start
        stop = span.end if bar is sheet.melody.bars[-1] else span.start + bar.end
        names = [str(_chord(sheet, chord) or "-") for chord in _between(heard, begin, stop)]
        meter = bar.meter if bar.meter != sheet.tune.meter else None
        yield PlayedBar(playing, bar.number, bar.time, begin, stop - begin, bar.section, tuple(names), meter)
