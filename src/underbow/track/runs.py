"""The strokes of the patterns through a track: where the bow goes on from bar to bar, and where it is set anew."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from underbow.fiddle.grid import AccentGrid, Stroke
from underbow.track.timeline import Timeline, WholeBar


@dataclass(frozen=True, slots=True)
class Run:
    """Bars that one pattern runs through without beginning again: their places, its start and its end in quarters."""

    places: range
    grid: AccentGrid
    start: Fraction
    end: Fraction

    @property
    def cycle(self) -> int:
        """Bars after which the strokes come again as they were."""
        return self.grid.bars * (2 if self.grid.flips else 1)

    def strokes(self, since: Fraction = Fraction(0)) -> Iterator[Stroke]:
        """Give the strokes in order, in quarters from its start: those that begin at a position or later, before its end."""
        length = self.end - self.start
        bars = int(-(-length // self.grid.meter.bar))  # not its own number of bars only where one is irregular
        return (stroke for stroke in self.grid.played(bars, since) if stroke.start < length)


def runs(timeline: Timeline, places: range) -> Iterator[Run]:
    """Find the runs in a stretch of whole bars.

    A pattern begins again where a section has another pattern than the one before or cuts a pattern of several bars short, and
    after a bar of another length: a fiddler takes a fresh bow for a new phrase.
    """
    bars = [timeline.whole_bars[place] for place in places]
    begin = 0
    for place, (before, bar) in enumerate(pairwise(bars), start=1):
        begins_again = bar.bar.section_start and (place - begin) % bar.pattern.grid.bars != 0
        if begins_again or before.pattern != bar.pattern or not before.regular or not bar.regular:
            yield _run(bars[begin:place], places[begin:place])
            begin = place
    yield _run(bars[begin:], places[begin:])


def _run(bars: Sequence[WholeBar], places: range) -> Run:
    return Run(places, bars[0].pattern.grid, bars[0].start, bars[-1].end)


def strokes_by_bar(timeline: Timeline) -> Iterator[tuple[WholeBar, list[Stroke], Fraction]]:
    """Give every whole bar with the strokes that touch it, and where it begins among them."""
    for stretch in timeline.stretches:
        for run in runs(timeline, timeline.places(stretch.passes)):
            strokes = list(run.strokes())
            first = 0
            for place in run.places:
                bar = timeline.whole_bars[place]
                start = bar.start - run.start
                while first < len(strokes) and strokes[first].end <= start:
                    first += 1
                inside = []
                for stroke in strokes[first:]:
                    if stroke.start >= start + bar.length:
                        break
                    inside.append(stroke)
                yield bar, inside, start
