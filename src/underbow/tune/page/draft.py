"""Measures in the making: what the reader writes down before a tune's :class:`~underbow.tune.tune.Measure` can be frozen.

A broken rhythm, a tie or a bracket changes a note that has been read already, so these are the only mutable notes there are.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from underbow.theory.chord import Chord
from underbow.theory.key import Key
from underbow.theory.meter import Meter, Tempo
from underbow.theory.pitch import Pitch
from underbow.theory.progression import ChordSpan
from underbow.tune.tune import Measure, Note


@dataclass(slots=True)
class Event:
    """A note, a chord of notes or a rest (no pitches), in its order; its start follows from what stands before it."""

    length: Fraction
    pitches: list[tuple[Pitch, bool]] = field(default_factory=list)  # with whether each is tied on
    shift: tuple[int, int] = (0, 0)
    bow: str = ""
    slur_starts: int = 0
    slur_ends: int = 0
    graces: tuple[Pitch, ...] = ()
    marks: tuple[str, ...] = ()
    tuplet: tuple[int, int] | None = None
    source: tuple[int, int] = (0, 0)
    tied: bool = False
    words: tuple[str, ...] = ()


@dataclass(slots=True)
class Draft:
    """A measure in the making; ``chords`` stand before the event of their index."""

    key: Key
    meter: Meter
    place: int
    events: list[Event] = field(default_factory=list)
    chords: list[tuple[int, Chord | None]] = field(default_factory=list)
    tempo: Tempo | None = None
    part: str = ""
    repeat_start: int = 0
    repeat_end: int = 0
    ending: tuple[int, ...] = ()
    ending_start: bool = False
    final: str = ""
    new_line: bool = False
    jumps: dict[str, int] = field(
        default_factory=dict
    )  # fine, segno, coda, to coda, D.C., D.S. ..., before which event
    section: str = ""

    @property
    def length(self) -> Fraction:
        """Quarters that it holds."""
        return sum((event.length for event in self.events), Fraction(0))

    @property
    def empty(self) -> bool:
        """Whether nothing stands in it yet."""
        return not self.events

    def frozen(self, place: tuple[int, int] | None = None) -> Measure:
        """Give the measure as the model has it, with its line and column where they are known."""
        now = Fraction(0)
        starts: list[Fraction] = []
        notes: list[Note] = []
        for event in self.events:
            starts.append(now)
            if event.pitches and event.length > 0:
                notes.append(_note(event, now))
            now += event.length
        starts.append(now)
        return Measure(
            length=now,
            notes=tuple(notes),
            chords=_spans(self.chords, starts, now),
            key=self.key,
            meter=self.meter,
            tempo=self.tempo,
            section=self.section,
            repeat_start=self.repeat_start,
            repeat_end=self.repeat_end,
            ending=self.ending,
            ending_start=self.ending_start,
            final=self.final,
            new_line=self.new_line,
            place=place,
        )


def _note(event: Event, start: Fraction) -> Note:
    """Freeze a note: the highest of its pitches is the melody."""
    sounding = event.pitches
    if event.shift != (0, 0):
        sounding = [(moved(pitch, event.shift), tied) for pitch, tied in sounding]
    if len(sounding) > 1:
        sounding = sorted(sounding, key=lambda pair: -pair[0].midi)
    top, tied = sounding[0]
    return Note(
        start=start,
        length=event.length,
        pitch=top,
        under=tuple(pitch for pitch, _ in sounding[1:]),
        tied=tied or event.tied,
        bow=event.bow,
        slur_starts=event.slur_starts,
        slur_ends=event.slur_ends,
        graces=tuple(moved(pitch, event.shift) for pitch in event.graces) if event.graces else (),
        marks=event.marks,
        tuplet=event.tuplet,
        source=event.source,
        words=event.words,
    )


def moved(pitch: Pitch, shift: tuple[int, int]) -> Pitch:
    """Move a written pitch by a clef's octaves and a transposition's semitones.

    >>> str(moved(Pitch("B", 0, 4), (-1, 0))), str(moved(Pitch("B", 0, 4), (0, 2)))
    ('B3', 'C#5')
    """
    octaves, semitones = shift
    if octaves:
        pitch = Pitch(pitch.letter, pitch.alter, pitch.octave + octaves)
    if semitones:
        steps = round(semitones * 7 / 12)
        pitch = pitch.transposed(steps, semitones)
    return pitch


def _spans(chords: list[tuple[int, Chord | None]], starts: list[Fraction], end: Fraction) -> tuple[ChordSpan, ...]:
    placed: dict[Fraction, Chord | None] = {}
    for index, chord in chords:
        placed[starts[min(index, len(starts) - 1)]] = chord  # a later symbol at the same place replaces the earlier
    ats = [*placed, end]
    return tuple(
        ChordSpan(start, after - start, chord)
        for (start, chord), after in zip(placed.items(), ats[1:], strict=True)
        if after > start
    )
