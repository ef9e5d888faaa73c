"""The rhythm: a guitar that plays bass notes and chords as suits the meter."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from underbow.track.gestures import Gestures
from underbow.track.parts.guitar import bass_note, figure, voicing
from underbow.track.parts.phrasing import phrasing
from underbow.track.performance import Gesture, Manner, Part, Sounded
from underbow.track.sheet.model import Sheet
from underbow.track.timeline import Frame, Timeline

GUITAR = 25  # General MIDI steel-string guitar, counted from 0
CLOSING_DB = -3.0
RINGING_DB = -2.0  # what rings is struck softer
CHUCK = Fraction(1, 2)  # of its room is what a chord rings before the hand damps it


def rhythm_part(sheet: Sheet, timeline: Timeline) -> Part:
    """Strike each bar's figure on the chords in force, and the last chord of all in full.

    A new chord begins on its own bass, and so does each section, and each bar that has several basses.
    """
    return Part("rhythm", GUITAR, Gestures(_hands(sheet, timeline)))


def _hands(sheet: Sheet, timeline: Timeline) -> Iterator[Gesture]:
    ringing = phrasing(sheet.tune.rhythm, sheet.tune.meter).ringing
    sounding, turn = -1, 0
    for frame in timeline.frames:
        hits = _hits(frame, ringing=ringing)
        if frame.section_start or sum(hit.bass for hit in hits) > 1:
            turn = 0
        for hit in hits:
            heard = timeline.between(hit.at, hit.stop)
            if hit.at >= timeline.closing or not heard or heard[0].index < 0:
                continue
            chord = sheet.melody.chords[heard[0].index].chord
            if chord is None:
                continue
            if heard[0].index != sounding:
                sounding, turn = heard[0].index, 0
            pitches = (bass_note(chord, turn),) if hit.bass else voicing(chord)
            turn += hit.bass
            start, end = timeline.swung(hit.at), timeline.swung(min(heard[0].end, timeline.closing))
            length = (end - start) * (1 if hit.bass or ringing else CHUCK)
            yield _struck(pitches, start, length, hit.level)
    heard = timeline.between(timeline.closing, timeline.end)
    last = sheet.melody.chords[heard[0].index].chord if heard and heard[0].index >= 0 else None
    if last is not None:
        start = timeline.swung(timeline.closing)
        yield _struck(
            (bass_note(last, 0), *voicing(last)),
            start,
            timeline.end - start,
            CLOSING_DB + (RINGING_DB if ringing else 0.0),
        )


def _struck(pitches: tuple[int, ...], start: Fraction, length: Fraction, level: float) -> Gesture:
    return Gesture(Manner.PLUCK, tuple(Sounded(start, length, midi, level) for midi in pitches))


@dataclass(frozen=True, slots=True)
class _Placed:
    """A hit in the track: where it is, where the next one comes, bass or chord, its level."""

    at: Fraction
    stop: Fraction
    bass: bool
    level: float


def _hits(frame: Frame, *, ringing: bool) -> list[_Placed]:
    """Lay the figure over a bar, however long it is."""
    meter = frame.bar.meter
    hits = figure(meter)
    rounds = int(-(-frame.length // meter.bar))
    placed = [(frame.start + meter.bar * i + hit.at, hit) for i in range(rounds) for hit in hits]
    placed = [(at, hit) for at, hit in placed if at < frame.end]
    stops = [after for after, _ in placed[1:]] + [frame.end]
    soft = RINGING_DB if ringing else 0.0
    return [
        _Placed(at, stop, hit.bass, hit.level + (0.0 if hit.bass else soft))
        for (at, hit), stop in zip(placed, stops, strict=True)
    ]
