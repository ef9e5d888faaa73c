"""What a sheet may ask for besides: a drone under everything, and the open strings to tune to before the count-in."""

from __future__ import annotations

from fractions import Fraction

from underbow.track.instruments import PROGRAMS
from underbow.track.performance import Gesture, Manner, Part, Sounded
from underbow.track.sheet.model import Sheet
from underbow.track.timeline import Timeline

DRONE_FLOOR = 50  # the tonic from D3 up, its fifth above
DRONE_DB, TUNING_DB = -3.0, -3.0


def drone_part(sheet: Sheet, timeline: Timeline) -> Part:
    """Hold the tonic and its fifth from the first pass to the end, taken anew with each section."""
    tonic = DRONE_FLOOR + (sheet.tune.key.tonic.number - DRONE_FLOOR) % 12
    gestures = []
    for stretch in timeline.stretches:
        starts = [bar.start for bar in timeline.bars_of(stretch.passes) if bar.bar.section_start]
        for start, end in zip(starts, [*starts[1:], stretch.end], strict=True):
            notes = tuple(Sounded(start, end - start, midi, DRONE_DB) for midi in (tonic, tonic + 7))
            gestures.append(Gesture(Manner.TONE, notes))
    return Part("drone", PROGRAMS["drone"], tuple(gestures))


def tuning_part(sheet: Sheet, timeline: Timeline) -> Part:
    """Bow the open strings, the A string first (the one that others are tuned from), then from the highest down."""
    strings = sorted(range(len(sheet.tuning.midi)), key=lambda string: (string != 2, -string))
    each = timeline.tuned / len(strings)
    gestures = tuple(
        Gesture(
            Manner.BOW,
            (Sounded(each * i, each * Fraction(7, 8), sheet.tuning.midi[string], TUNING_DB, string),),
            "du"[i % 2],
        )
        for i, string in enumerate(strings)
    )
    return Part("tuning", PROGRAMS["tuning"], gestures)
