"""Ornaments of a melody as a fiddler plays them: a main note, touched by short light ones.

The figures are common practice, no source. A roll splits its note by a tap above and one below; a trill alternates with the
note above; a turn and the mordents are quick beginnings. All of it happens within the one bow.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from underbow.theory.key import Key
from underbow.theory.pitch import Pitch

TOUCH_SECONDS = 0.055  # of a short note
LIGHT_DB = -4.0  # how much softer a short note is than the main one
_TICK = 480  # short notes lie on a fine grid, so that positions stay simple fractions

# What a mark makes of its note: offsets in scale steps of the quick notes before the main one goes on.
QUICK = {
    "mordent": (0, -1),
    "lowermordent": (0, -1),
    "pralltriller": (0, 1),
    "uppermordent": (0, 1),
    "turn": (1, 0, -1),
    "invertedturn": (-1, 0, 1),
}
ROLLS, TRILLS = {"roll", "~"}, {"trill", "tr"}


@dataclass(frozen=True, slots=True)
class Touch:
    """One note of an ornamented note: start and length in quarters, pitch, and whether it is a light one."""

    start: Fraction
    length: Fraction
    midi: int
    light: bool


def touch(quarters_per_minute: Fraction) -> Fraction:
    """Length in quarters of a short note at a tempo.

    >>> touch(Fraction(120))
    Fraction(53, 480)
    """
    return Fraction(round(TOUCH_SECONDS * float(quarters_per_minute) / 60 * _TICK), _TICK)


def touched(marks: tuple[str, ...]) -> bool:
    """Whether a mark asks for short notes.

    >>> touched(("accent", "roll")), touched(("accent",))
    (True, False)
    """
    return bool((ROLLS | TRILLS | QUICK.keys()) & {*marks})


def played(
    pitch: Pitch, marks: tuple[str, ...], key: Key, *, start: Fraction, length: Fraction, short: Fraction
) -> tuple[Touch, ...]:
    """Play a note with its marks: itself where it has none, or no time for them.

    Parameters
    ----------
    pitch : Pitch
    marks : tuple of str
    key : Key
        Gives the neighbouring notes.
    start, length, short : Fraction
        Quarters; ``short`` is how long a quick note lasts.

    >>> notes = played(Pitch.parse("B4"), ("roll",), Key.parse("G"), start=Fraction(0), length=Fraction(3, 2),
    ...                short=Fraction(1, 8))
    >>> [(str(note.start), note.midi) for note in notes]
    [('0', 71), ('1/2', 72), ('5/8', 71), ('1', 69), ('9/8', 71)]
    """
    if ROLLS & {*marks} and length >= 5 * short:
        return _roll(pitch, key, start, length, short)
    if TRILLS & {*marks} and length >= 4 * short:
        pairs = min(int(length / (2 * short)) - 1, 16)
        return _quick(pitch, key, start=start, length=length, short=short, steps=(0, 1) * pairs)
    for mark, steps in QUICK.items():
        if mark in marks and length > (len(steps) + 1) * short:
            return _quick(pitch, key, start=start, length=length, short=short, steps=steps)
    return (Touch(start, length, pitch.midi, False),)


def neighbour(pitch: Pitch, steps: int, key: Key) -> int:
    """MIDI number of the note so many scale steps away.

    >>> neighbour(Pitch.parse("E4"), 1, Key.parse("D")), neighbour(Pitch.parse("C#5"), -1, Key.parse("D"))
    (66, 71)
    """
    if steps == 0:
        return pitch.midi
    octave, letter = divmod(pitch.steps + steps, 7)
    name = "CDEFGAB"[letter]
    return Pitch(name, key.alteration(name), octave).midi


def _quick(
    pitch: Pitch, key: Key, *, start: Fraction, length: Fraction, short: Fraction, steps: tuple[int, ...]
) -> tuple[Touch, ...]:
    quick = [
        Touch(start + short * i, short, neighbour(pitch, step, key), step != 0) for i, step in enumerate(steps)
    ]  # fmt: skip
    begin = short * len(steps)
    return (*quick, Touch(start + begin, length - begin, pitch.midi, False))


def _roll(pitch: Pitch, key: Key, start: Fraction, length: Fraction, short: Fraction) -> tuple[Touch, ...]:
    """Long rolls begin on the note; short ones, with no time for that, on the tap above it."""
    parts = 3 if length >= 9 * short else 2
    each = length / parts
    out = []
    for i, step in enumerate((0, 1, -1)[3 - parts :]):
        begin = start + each * i
        if step:
            out.append(Touch(begin, short, neighbour(pitch, step, key), True))
            begin += short
        out.append(Touch(begin, start + each * (i + 1) - begin, pitch.midi, False))
    return tuple(out)
