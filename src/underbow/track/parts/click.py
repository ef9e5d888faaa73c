"""The click: a wood block on every beat, the bar's first one higher and louder."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import islice

from underbow.theory.meter import Meter
from underbow.track.gestures import Gestures
from underbow.track.instruments import PROGRAMS
from underbow.track.parts.passes import pass_by_pass
from underbow.track.performance import Gesture, Manner, Part, Sounded
from underbow.track.sheet.model import Sheet
from underbow.track.timeline import Stretch, Timeline

HIGH, LOW = 76, 77  # General MIDI percussion: hi and low wood block
FIRST_DB, OTHER_DB = 0.0, -4.0
LENGTH = Fraction(1, 8)


def click_part(sheet: Sheet, timeline: Timeline) -> Part:
    """Click the count-in, every bar, and the bars between stretches, on the beat that the tempo counts.

    The pickup that begins a stretch lies in the last bar counted before it and is clicked with it.
    """

    def play(passes: range, stretch: Stretch) -> Iterator[Gesture]:
        for bar in timeline.bars_of(passes):
            yield from _clicks(sheet, bar.bar.meter, bar.start, start=bar.start, end=bar.end)

    def counted() -> Iterator[tuple[list[Gesture], Fraction]]:
        start = timeline.tuned
        for stretch in timeline.stretches:
            bar = timeline.bars_of(stretch.passes[:1])[0]
            meter = bar.bar.meter
            whole = -((start - bar.start) // meter.bar)  # bars back from there; of the first one what the track has
            yield list(_clicks(sheet, meter, bar.start - meter.bar * whole, start=start, end=bar.start)), Fraction(0)
            yield from islice(passes, len(stretch.passes))
            start = stretch.end

    passes = pass_by_pass(timeline, play)
    return Part("click", PROGRAMS["click"], Gestures.of_phrases(counted()))


def _clicks(sheet: Sheet, meter: Meter, bar: Fraction, *, start: Fraction, end: Fraction) -> Iterator[Gesture]:
    """Click bar after bar, as far as they lie between two positions."""
    while bar < end:
        for beat in beats(meter, sheet.ramp.beat):
            if start <= bar + beat < end:
                yield _click(bar + beat, beat == 0)
        bar += meter.bar


def beats(meter: Meter, beat: Fraction) -> tuple[Fraction, ...]:
    """Where a bar is clicked: on the tempo's beat where the bar is made of it, else on the meter's own beats.

    >>> [str(at) for at in beats(Meter.parse("6/8"), Fraction(3, 2))], [str(at) for at in beats(Meter.parse("3/4"), Fraction(2))]
    (['0', '3/2'], ['0', '1', '2'])
    """
    if len(meter.groups) > 1 or meter.bar % beat:
        return meter.beats
    return tuple(beat * i for i in range(int(meter.bar / beat)))


def _click(position: Fraction, first: bool) -> Gesture:
    return Gesture(Manner.CLICK, (Sounded(position, LENGTH, HIGH if first else LOW, FIRST_DB if first else OTHER_DB),))
