"""The click: a wood block on every beat, the bar's first one higher and louder."""

from __future__ import annotations

from fractions import Fraction

from underbow.theory.meter import Meter
from underbow.track.gestures import Gestures
from underbow.track.performance import Gesture, Manner, Part, Sounded
from underbow.track.sheet.model import Sheet
from underbow.track.timeline import Timeline

HIGH, LOW = 76, 77  # General MIDI percussion: hi and low wood block
FIRST_DB, OTHER_DB = 0.0, -4.0
LENGTH = Fraction(1, 8)


def click_part(sheet: Sheet, timeline: Timeline) -> Part:
    """Click the count-in and every bar, on the beat that the tempo counts.

    The first pass's pickup lies in the last bar of the count-in and is clicked with it.
    """
    clicks: list[tuple[Fraction, bool]] = []
    meter = timeline.frames[0].bar.meter
    first_bar = timeline.frames[0].start
    at = (
        meter.bar * (first_bar // -meter.bar) + first_bar
    )  # whole bars back from there; of the first one what the track has
    while at < first_bar:
        clicks += [(at + beat, beat == 0) for beat in beats(meter, sheet.ramp.beat) if at + beat >= 0]
        at += meter.bar
    for frame in timeline.frames:
        meter, at = frame.bar.meter, frame.start
        while at < frame.end:
            clicks += [(at + beat, beat == 0) for beat in beats(meter, sheet.ramp.beat) if at + beat < frame.end]
            at += meter.bar
    return Part("click", -1, Gestures(_click(at, first) for at, first in clicks))


def beats(meter: Meter, beat: Fraction) -> tuple[Fraction, ...]:
    """Where a bar is clicked: on the tempo's beat where the bar is made of it, else on the meter's own beats.

    >>> [str(at) for at in beats(Meter.parse("6/8"), Fraction(3, 2))], [str(at) for at in beats(Meter.parse("3/4"), Fraction(2))]
    (['0', '3/2'], ['0', '1', '2'])
    """
    if len(meter.groups) > 1 or meter.bar % beat:
        return meter.beats
    return tuple(beat * i for i in range(int(meter.bar / beat)))


def _click(at: Fraction, first: bool) -> Gesture:
    return Gesture(Manner.CLICK, (Sounded(at, LENGTH, HIGH if first else LOW, FIRST_DB if first else OTHER_DB),))
