"""The rhythm: a guitar that plays bass notes and chords as suits the meter."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

from underbow.track.guitar import bass_note, figure, voicing
from underbow.track.performance import Gesture, Manner, Part, Sounded
from underbow.track.sheet import Sheet
from underbow.track.timeline import Frame, Timeline

GUITAR = 25  # General MIDI steel-string guitar, counted from 0
CHUCK = Fraction(1, 2)  # of its room is what a chord rings before the hand damps it


def rhythm_part(sheet: Sheet, timeline: Timeline) -> Part:
    """Strike each bar's figure on the chords in force; a new chord begins on its own bass."""
    gestures: list[Gesture] = []
    sounding, turn = -1, 0
    for frame in timeline.frames:
        for at, stop, bass, level in _hits(frame):
            heard = timeline.between(at, stop)
            if not heard or heard[0].index < 0:
                continue
            chord = sheet.melody.chords[heard[0].index].chord
            if chord is None:
                continue
            if heard[0].index != sounding:
                sounding, turn = heard[0].index, 0
            pitches = (bass_note(chord, turn),) if bass else voicing(chord)
            turn += bass
            start, end = timeline.swung(at), timeline.swung(heard[0].end)
            length = (end - start) * (1 if bass else CHUCK)
            notes = tuple(Sounded(start, length, midi, level) for midi in pitches)
            gestures.append(Gesture(Manner.PLUCK, notes))
    return Part("rhythm", GUITAR, tuple(gestures))


def _hits(frame: Frame) -> list[tuple[Fraction, Fraction, bool, float]]:
    """Lay the figure over a bar, however long it is: start, where the next one comes, bass or chord, level."""
    meter = frame.bar.meter
    hits = figure(meter)
    rounds = int(-(-frame.length // meter.bar))
    placed = [(frame.start + meter.bar * i + hit.at, hit.bass, hit.level) for i in range(rounds) for hit in hits]
    placed = [hit for hit in placed if hit[0] < frame.end]
    stops = [after[0] for _, after in pairwise(placed)] + [frame.end]
    return [(at, stop, bass, level) for (at, bass, level), stop in zip(placed, stops, strict=True)]
