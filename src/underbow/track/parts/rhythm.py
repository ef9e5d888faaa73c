"""The rhythm: a guitar that plays bass notes and chords as suits the meter."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from underbow.track.gestures import Gestures
from underbow.track.instruments import PROGRAMS
from underbow.track.parts.guitar import bass_note, figure, voicing
from underbow.track.parts.passes import pass_by_pass
from underbow.track.parts.phrasing import phrasing
from underbow.track.performance import Gesture, Manner, Part, Sounded
from underbow.track.sheet.model import Sheet
from underbow.track.timeline import Stretch, Timeline, WholeBar

CLOSING_DB = -3.0
RINGING_DB = -2.0  # what rings is struck softer
CHUCK = Fraction(1, 2)  # of its room is what a chord rings before the hand damps it


def rhythm_part(sheet: Sheet, timeline: Timeline) -> Part:
    """Strike each bar's figure on the chords in force, and the last chord of all in full.

    A new chord begins on its own bass, and so does each section, and each bar that has several basses.
    """

    def play(passes: range, stretch: Stretch) -> Iterator[Gesture]:
        return _strokes(sheet, timeline, passes, stretch)

    return Part("rhythm", PROGRAMS["rhythm"], Gestures.of_phrases(pass_by_pass(timeline, play)))


def _strokes(sheet: Sheet, timeline: Timeline, passes: range, stretch: Stretch) -> Iterator[Gesture]:
    ringing = phrasing(sheet.tune.rhythm, sheet.tune.meter).ringing
    sounding, basses = -1, 0
    for bar in timeline.bars_of(passes):  # a pass begins with a section, so nothing is carried over from the one before
        hits = _hits(bar, ringing=ringing)
        if bar.bar.section_start or sum(hit.bass for hit in hits) > 1:
            basses = 0
        for hit in hits:
            heard = timeline.between(hit.start, hit.stop)
            if hit.start >= stretch.closing or not heard or heard[0].index < 0:
                continue
            chord = sheet.melody.chords[heard[0].index].chord
            if chord is None:
                continue
            if heard[0].index != sounding:
                sounding, basses = heard[0].index, 0
            pitches = (bass_note(chord, basses),) if hit.bass else voicing(chord)
            basses += hit.bass
            start, end = timeline.swung(hit.start), timeline.swung(min(heard[0].end, stretch.closing))
            length = (end - start) * (1 if hit.bass or ringing else CHUCK)
            yield _struck(pitches, start, length, hit.level)
    heard = timeline.between(stretch.closing, stretch.end) if passes.stop == stretch.passes.stop else []
    last = sheet.melody.chords[heard[0].index].chord if heard and heard[0].index >= 0 else None
    if last is not None:
        start = timeline.swung(stretch.closing)
        level = CLOSING_DB + (RINGING_DB if ringing else 0.0)
        yield _struck((bass_note(last, 0), *voicing(last)), start, stretch.end - start, level)


def _struck(pitches: tuple[int, ...], start: Fraction, length: Fraction, level: float) -> Gesture:
    return Gesture(Manner.PLUCK, tuple(Sounded(start, length, midi, level) for midi in pitches))


@dataclass(frozen=True, slots=True)
class _Placed:
    """A hit in the track: where it is, where the next one comes, bass or chord, its level."""

    start: Fraction
    stop: Fraction
    bass: bool
    level: float


def _hits(bar: WholeBar, *, ringing: bool) -> list[_Placed]:
    """Lay the figure over a bar, however long it is."""
    meter = bar.bar.meter
    hits = figure(meter)
    rounds = int(-(-bar.length // meter.bar))
    placed = [(bar.start + meter.bar * i + hit.start, hit) for i in range(rounds) for hit in hits]
    placed = [(start, hit) for start, hit in placed if start < bar.end]
    stops = [after for after, _ in placed[1:]] + [bar.end]
    soft = RINGING_DB if ringing else 0.0
    return [
        _Placed(start, stop, hit.bass, hit.level + (0.0 if hit.bass else soft))
        for (start, hit), stop in zip(placed, stops, strict=True)
    ]
