"""The key of a melody whose file does not say it.

Fiddle tunes are modal: the signature is the one whose seven notes take most of the time, the tonic the last note where it
can be one (major, minor, dorian, mixolydian), else the note of these that sounds longest.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

from underbow.theory.key import Key
from underbow.theory.pitch import PitchClass

_SCALE = (0, 2, 4, 5, 7, 9, 11)
_MODES = {
    0: "major",
    9: "minor",
    2: "dorian",
    7: "mixolydian",
}  # semitones of the tonic above the signature's major tonic
_STEPS = {0: 0, 9: 3, 2: 2, 7: 1}  # the same on the line of fifths


def find_key(notes: Iterable[tuple[int, Fraction]]) -> Key:
    """Find the key of notes given as MIDI numbers with their lengths.

    >>> find_key([(62, Fraction(1)), (64, Fraction(1)), (66, Fraction(1)), (67, Fraction(1)), (69, Fraction(1)),
    ...           (71, Fraction(1)), (73, Fraction(1)), (74, Fraction(2))]).signature
    2
    """
    time = [Fraction(0)] * 12
    last = 0
    for midi, length in notes:
        time[midi % 12] += length
        last = midi % 12

    def merit(signature: int) -> tuple[Fraction, bool, Fraction, int]:
        tonic = signature * 7 % 12
        inside = sum((time[(tonic + step) % 12] for step in _SCALE), Fraction(0))
        return inside, (last - tonic) % 12 in _MODES, time[tonic], -abs(signature)

    signature = max(range(-5, 7), key=merit)
    major = signature * 7 % 12
    above = (last - major) % 12
    if above not in _MODES:
        above = max(_MODES, key=lambda step: time[(major + step) % 12])
    return Key(PitchClass.at_fifths(signature + _STEPS[above]), _MODES[above])
