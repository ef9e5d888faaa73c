"""The melody: what somebody else plays while the learner backs up."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import replace
from fractions import Fraction

from underbow.theory.key import Key
from underbow.track.gestures import Gestures
from underbow.track.instruments import MELODY_VOICES
from underbow.track.parts.bowing import MelodyStroke, bow_melody
from underbow.track.parts.ornaments import LIGHT_DB, played, touch, touched
from underbow.track.parts.passes import pass_by_pass
from underbow.track.parts.phrasing import Phrasing, phrasing
from underbow.track.performance import Gesture, Manner, Part, Sounded
from underbow.track.sheet.model import Sheet
from underbow.track.timeline import Stretch, Timeline
from underbow.tune.tune import Bar, Melody, MelodyNote

ACCENT_DB = 2.0
UNDER_DB = -3.0  # notes below the melody in a double stop
STACCATO = Fraction(1, 2)  # of its length is what a staccato note sounds

_Ready = tuple[MelodyNote, Key, float]  # a note, the key of its bar, its level in dB


def melody_part(sheet: Sheet, timeline: Timeline) -> Part:
    """Play the melody in every pass, phrased as its dance.

    A pass's last notes stop where the next pass's pickup begins; the last note of all is held to the end.
    """
    program, manner = MELODY_VOICES[sheet.voice]
    way = phrasing(sheet.tune.rhythm, sheet.tune.meter)
    strokes = bow_melody(sheet.melody, long_bows=way.long_bows)
    if manner is Manner.PLUCK:
        strokes = tuple(MelodyStroke("", (note,)) for stroke in strokes for note in stroke.notes)
    elif manner is Manner.TONE:
        strokes = tuple(replace(stroke, bow="") for stroke in strokes)
    ready = _ready(strokes, sheet.melody, way)
    shorts = [touch(tempo.quarters_per_minute) for tempo in sheet.ramp.tempos for _ in range(sheet.ramp.each)]
    if not any(note.graces or touched(note.marks) for note in sheet.melody.notes):
        shorts = shorts[:1] * len(shorts)  # nobody plays any
    players = [
        _Player(timeline, manner, start=start, reach=start + length, short=short)
        for start, length, short in zip(timeline.starts, timeline.lengths, shorts, strict=True)
    ]

    def play(passes: range, stretch: Stretch) -> list[Gesture]:
        """Play a pass between the last stroke before it and the first one after it: graces take of the gesture before them."""
        place = passes.start
        gestures: list[Gesture] = []
        if place != stretch.passes.start:
            for stroke in reversed(ready):
                players[place - 1].play(*stroke, gestures)
                if gestures:
                    break
        begin = len(gestures)
        for stroke in ready:
            if not timeline.wanted(timeline.starts[place] + stroke[1][0][0].start):
                return gestures[begin:]
            players[place].play(*stroke, gestures)
        end = len(gestures)
        if passes.stop != stretch.passes.stop:
            players[place + 1].play(*ready[0], gestures)
            return gestures[begin:end]
        return _held(gestures[begin:], timeline.starts[place] + sheet.melody.length, stretch.end)

    def alike(place: int) -> Hashable:
        return tuple(shorts[max(place - 1, 0) : place + 2])

    return Part("melody", program, Gestures.of_phrases(pass_by_pass(timeline, play, alike=alike)))


def _held(gestures: list[Gesture], written: Fraction, end: Fraction) -> list[Gesture]:
    """Hold what sounds at the written end of the last pass to the end of its bar."""
    if not gestures or written == end:
        return gestures
    last = gestures[-1]
    notes = tuple(replace(note, length=end - note.start) if note.end == written else note for note in last.notes)
    return [*gestures[:-1], replace(last, notes=notes)]


def _ready(strokes: tuple[MelodyStroke, ...], melody: Melody, way: Phrasing) -> list[tuple[str, list[_Ready]]]:
    """Work out once what is the same in every pass."""
    bars = melody.bars
    out, place, first = [], 0, 1 if melody.pickup else 0
    for stroke in strokes:
        notes = []
        for note in stroke.notes:
            while place + 1 < len(bars) and note.start >= bars[place].end:
                place += 1
                first = place if bars[place].section_start else first
            bar = bars[place]
            level = min(_level(note, bar, way) + way.swelled(place - first), 0.0)
            notes.append((note, bar.key, level))
        out.append((stroke.bow, notes))
    return out


class _Player:
    """Plays one pass."""

    def __init__(
        self, timeline: Timeline, manner: Manner, *, start: Fraction, reach: Fraction, short: Fraction
    ) -> None:
        self._timeline = timeline
        self._manner = manner
        self._start = start
        self._reach = reach
        self._short = short

    def play(self, bow: str, written: list[_Ready], gestures: list[Gesture]) -> None:
        """Add a stroke's gestures: its graces, then itself."""
        notes: list[Sounded] = []
        for note, key, level in written:
            if self._start + note.start >= self._reach:
                break
            start = self._timeline.swung(self._start + note.start)
            end = self._timeline.swung(min(self._start + note.end, self._reach))
            if note.graces:
                notes = self._graces(note, bow, start, level, notes=notes, gestures=gestures)
            notes += self._note(note, key, start, end - start, level)
        if notes:
            gestures.append(Gesture(self._manner, tuple(notes), bow))

    def _note(self, note: MelodyNote, key: Key, start: Fraction, length: Fraction, level: float) -> list[Sounded]:
        if "staccato" in note.marks:
            length *= STACCATO
        touches = played(note.pitch, note.marks, key, start=start, length=length, short=self._short)
        notes = [Sounded(t.start, t.length, t.midi, level + (LIGHT_DB if t.light else 0.0)) for t in touches]
        notes += [Sounded(start, length, pitch.midi, level + UNDER_DB) for pitch in note.under]
        return sorted(notes, key=lambda sounded: (sounded.start, sounded.midi))

    def _graces(
        self,
        note: MelodyNote,
        bow: str,
        start: Fraction,
        level: float,
        *,
        notes: list[Sounded],
        gestures: list[Gesture],
    ) -> list[Sounded]:
        """Play grace notes before the beat, in the time of the note before; within a slur they are notes of the stroke."""
        before = notes[-1] if notes else gestures[-1].notes[-1] if gestures else None
        room = start if before is None else (start - before.start) / 2
        short = min(self._short, room / len(note.graces))
        begin = start - short * len(note.graces)
        graces = [
            Sounded(begin + short * i, short, pitch.midi, level + LIGHT_DB) for i, pitch in enumerate(note.graces)
        ]  # fmt: skip
        if short <= 0:
            return notes
        if notes:
            return [_until(sounded, begin) for sounded in notes] + graces
        if gestures and gestures[-1].end > begin:
            gestures[-1] = replace(gestures[-1], notes=tuple(_until(n, begin) for n in gestures[-1].notes))
        gestures.append(Gesture(self._manner, tuple(graces), bow, ornament=True))
        return notes


def _level(note: MelodyNote, bar: Bar, way: Phrasing) -> float:
    """Lean as the dance does, an accent more; a pickup counts from the bar line that it leads to."""
    inside = note.start - bar.start + (bar.meter.bar - bar.length if bar.number == 0 else 0)
    return way.level(inside, bar.meter) + (ACCENT_DB if "accent" in note.marks else 0.0)


def _until(note: Sounded, end: Fraction) -> Sounded:
    return note if note.end <= end or note.start >= end else replace(note, length=end - note.start)
