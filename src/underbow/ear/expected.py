"""What should be heard from the learner: every stroke of the backup, in seconds, with its two notes.

A stroke of the bow is expected once, where the bow turns. Within it a *pulse* presses the same notes again, a *slur* changes
a finger: neither brings a new attack, and neither is judged as one; a *chop* is a knock without a pitch worth judging.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction

from underbow.track.performance import Gesture, Manner, Performance
from underbow.track.timeline import PlayedBar


@dataclass(frozen=True, slots=True)
class ExpectedNote:
    """One note of a double stop: its string (0 the lowest), MIDI number, and when it sounds, seconds of the track."""

    string: int
    midi: int
    start: float
    end: float


@dataclass(frozen=True, slots=True)
class ExpectedStroke:
    """One stroke of the bow.

    Parameters
    ----------
    start, end : float
        Seconds from the track's first sample.
    place : Fraction
        Quarters from its bar line.
    bar : PlayedBar
    chord : str
        As text; empty where there is none.
    notes : tuple of ExpectedNote
        In order of start, then of pitch.
    level : float
        dB, at most 0.
    chop : bool
    """

    start: float
    end: float
    place: Fraction
    bar: PlayedBar
    chord: str
    notes: tuple[ExpectedNote, ...]
    level: float
    chop: bool

    @property
    def hand(self) -> tuple[tuple[int, int], ...]:
        """String and note of each note that it begins with."""
        return tuple((note.string, note.midi) for note in self.notes if note.start == self.start)


def expected_strokes(performance: Performance) -> tuple[ExpectedStroke, ...]:
    r"""Give every stroke of the backup in order.

    >>> from underbow.track.sheet.read import build_sheet
    >>> from underbow.track.sequencer import perform
    >>> abc = 'X:1\nT:Two bars\nM:4/4\nL:1/4\nK:G\n"G"GABc|"D"d4|]'
    >>> table = {"abc": abc, "pattern": "nashville-shuffle", "tempo": {"start": 60, "goal": 80, "passes": 3}}
    >>> strokes = expected_strokes(perform(build_sheet(table)))
    >>> [(f"{stroke.start:.1f}", stroke.chord, stroke.bar.number) for stroke in strokes[:4]]
    [('8.0', 'G', 1), ('9.0', 'G', 1), ('9.5', 'G', 1), ('10.0', 'G', 1)]
    """
    return tuple(_strokes(performance))


def _strokes(performance: Performance) -> Iterator[ExpectedStroke]:
    seconds = performance.tempo.seconds
    bars, chords = performance.bars, performance.chords
    bar_index = chord_index = 0
    bar, chord = bars[0], chords[0] if len(chords) else None
    for gesture in performance.part("backup").gestures:
        while bar_index + 1 < len(bars) and bars[bar_index + 1].start <= gesture.start:
            bar_index += 1
            bar = bars[bar_index]
        while chord_index + 1 < len(chords) and chords[chord_index + 1].start <= gesture.start:
            chord_index += 1
            chord = chords[chord_index]
        yield ExpectedStroke(
            seconds(gesture.start),
            seconds(gesture.end),
            gesture.start - bar.start,
            bar,
            str(chord.chord) if chord is not None and chord.chord is not None else "",
            tuple(_notes(gesture, seconds)),
            gesture.top,
            gesture.manner is Manner.CHOP,
        )


def _notes(gesture: Gesture, seconds: Callable[[Fraction], float]) -> Iterator[ExpectedNote]:
    for note in gesture.notes:
        yield ExpectedNote(note.string or 0, note.midi, seconds(note.start), seconds(note.end))
