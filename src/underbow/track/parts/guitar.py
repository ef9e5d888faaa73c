"""What a guitarist's hands make of a chord: a bass note and a small voicing, and which comes when in a meter.

The figures are common practice, no source: boom-chuck where the beat divides in two, oom-pah-pah in three, bass on the beat
and a light chord on the last eighth in the meters of the jigs; the bass alternates between root and fifth.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from underbow.theory.chord import DEGREES, Chord
from underbow.theory.meter import Meter

LOWEST = 40  # open low E string
CHORD_FLOOR = 52  # a voicing lies within the octave from here up: clear of the bass, below the tune
MOST_TONES = 4
# Degrees by how much they say; extensions come last, as a guitarist leaves them to others.
_KEPT = {
    degree: start for start, degree in enumerate(["3", "b3", "4", "2", "b7", "7", "bb7", "6", "b5", "#5", "1", "5"])
}


@dataclass(frozen=True, slots=True)
class Hit:
    """Something to strike in a bar: where (quarters), the bass or the chord, and its level in dB."""

    start: Fraction
    bass: bool
    level: float


def figure(meter: Meter) -> tuple[Hit, ...]:
    """What is struck in a bar of a meter.

    >>> [(str(hit.start), hit.bass) for hit in figure(Meter.parse("3/4"))]
    [('0', True), ('1', False), ('2', False)]
    >>> [(str(hit.start), hit.bass) for hit in figure(Meter.parse("6/8"))]
    [('0', True), ('1', False), ('3/2', True), ('5/2', False)]
    """
    unit = Fraction(4, meter.unit)
    if meter.compound and meter.groups[0] > 3:
        pairs = [hit for beat in meter.beats for hit in ((beat, True), (beat + 2 * unit, False))]
    elif len(meter.groups) > 1:  # each group as a small bar: bass, then chords
        starts = [(beat, size) for beat, size in zip(meter.beats, meter.groups, strict=True)]
        pairs = [(beat + unit * i, i == 0) for beat, size in starts for i in range(size)]
    elif meter.groups[0] == 2 or meter.unit == 2:  # 2/4, 2/2, 3/2: each beat has its bass and its after-beat
        pairs = [(unit * Fraction(i, 2), i % 2 == 0) for i in range(2 * meter.groups[0])]
    elif meter.groups[0] == 3:  # 3/4, 3/8
        pairs = [(unit * i, i == 0) for i in range(3)]
    elif meter.groups[0] % 2 == 0:
        pairs = [(unit * i, i % 2 == 0) for i in range(meter.groups[0])]
    else:  # 5/4 and its like: a three and twos
        pairs = [(unit * i, i == 0 or (i > 2 and i % 2 == 1)) for i in range(meter.groups[0])]
    return tuple(
        Hit(start, bass, -3.0 if bass and start == 0 else -4.0 if bass else -6.0) for start, bass in sorted(pairs)
    )


def bass_note(chord: Chord, number: int) -> int:
    """Give the bass of a chord by its number from 0: what the chord is written over, then what it alternates with, root or fifth.

    >>> [bass_note(Chord.parse("G"), number) for number in (0, 1)], [bass_note(Chord.parse("D/F#"), number) for number in (0, 1)]
    ([43, 50], [42, 50])
    >>> [bass_note(Chord.parse("C"), number) for number in (0, 1)]
    [48, 43]
    """
    lowest = _from(chord.lowest.number, LOWEST)
    if number % 2 == 0:
        return lowest
    if chord.bass is not None:  # a written bass alternates with the root above it
        return _from(chord.root.number, lowest)
    fifth = next((number for number in ("5", "b5", "#5") if number in chord.degrees), "1")
    above = _from((chord.root.number + DEGREES[fifth]) % 12, lowest)
    return above - 12 if above - 12 >= LOWEST and above > lowest else above


def voicing(chord: Chord) -> tuple[int, ...]:
    """Give three or four tones of a chord within an octave, those first that tell it from others.

    >>> voicing(Chord.parse("G")), voicing(Chord.parse("D7"))
    ((55, 59, 62), (54, 57, 60, 62))
    """
    wanted = sorted(zip(chord.degrees, chord.numbers, strict=True), key=lambda tone: _KEPT.get(tone[0], len(_KEPT)))
    return tuple(sorted(_from(number, CHORD_FLOOR) for _, number in wanted[:MOST_TONES]))


def _from(number: int, floor: int) -> int:
    """Give the lowest MIDI number of a pitch class that is at least the floor."""
    return floor + (number - floor) % 12
