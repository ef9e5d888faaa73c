"""The strokes of the patterns through a track: where the bow goes on from bar to bar, and where it is set anew."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from underbow.fiddle.grid import Stroke
from underbow.track.timeline import Timeline, WholeBar


def runs(bars: Sequence[WholeBar]) -> Iterator[Sequence[WholeBar]]:
    """Group bars that one pattern runs through without beginning again.

    It begins again where a section has another pattern than the one before or cuts a pattern of several bars short, and after a
    bar of another length: a fiddler takes a fresh bow for a new phrase.
    """
    begin, before = 0, bars[0]
    for place, bar in enumerate(bars):
        begins_again = bar.bar.section_start and (place - begin) % bar.pattern.grid.bars != 0
        other = before.pattern != bar.pattern or not before.regular or not bar.regular
        if place > begin and (begins_again or other):
            yield bars[begin:place]
            begin = place
        before = bar
    yield bars[begin:]


def played(run: Sequence[WholeBar]) -> Iterator[Stroke]:
    """Give the strokes of a run one by one, in quarters from its start; an irregular last bar may cut them."""
    first, end = run[0], run[-1].end
    meter = first.pattern.grid.meter
    return first.pattern.grid.played(int(-(-(end - first.start) // meter.bar)))


def strokes_by_bar(timeline: Timeline) -> Iterator[tuple[WholeBar, list[Stroke], Fraction]]:
    """Give every whole bar with the strokes that touch it, and where it begins among them."""
    for stretch in timeline.stretches:
        for run in runs(list(timeline.bars_in(stretch))):
            strokes = list(played(run))
            first = 0
            for bar in run:
                start = bar.start - run[0].start
                while first < len(strokes) and strokes[first].end <= start:
                    first += 1
                inside = []
                for stroke in strokes[first:]:
                    if stroke.start >= start + bar.length:
                        break
                    inside.append(stroke)
                yield bar, inside, start
