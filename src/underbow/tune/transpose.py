"""Moving a tune to another key, within reach of the player.

Everything moves by one interval: notes keep their place in the scale, so that spelling stays as sensible as it was; keys
and chord symbols move along the line of fifths with them. The octave is the one that keeps the melody in range.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace

from underbow.errors import Fault, InputError
from underbow.theory.key import MODES, Key
from underbow.theory.pitch import Pitch, PitchClass
from underbow.theory.progression import ChordSpan
from underbow.tune.tune import Measure, Note, Tune

FIRST_POSITION = (Pitch("G", 0, 3), Pitch("B", 0, 5))  # the fiddle's open G to the fourth finger on E


def transposed(tune: Tune, key: Key | str) -> Tune:
    r"""Move a tune to another tonic; its mode stays.

    Where no octave keeps the melody in first position, the one that loses the fewest notes is taken, and ``told`` says which
    lie outside.

    Parameters
    ----------
    tune : Tune
    key : Key or str
        Only the tonic counts: an E dorian tune asked for in ``A`` or ``Am`` comes out in A dorian, and a mode that is
        not the tune's is told.

    Raises
    ------
    InputError
        For a key that there is not.

    >>> from underbow.tune.abc.reader import read_abc
    >>> tune, = read_abc('X:1\nM:2/4\nL:1/8\nK:D\n"D"d^c =c2|"A7"e4|')
    >>> moved = transposed(tune, "G")
    >>> str(moved.key), [str(note.pitch) for measure in moved.measures for note in measure.notes]
    ('G', ['G5', 'F#5', 'F5', 'A5'])
    >>> [str(span.chord) for measure in moved.measures for span in measure.chords]
    ['G', 'D7']
    """
    tonic, mode = _asked(key)
    remarks: list[Fault] = []
    if mode and mode != tune.key.mode and not (MODES[mode] <= -2 and tune.key.is_minor):
        remarks.append(Fault(f"the tune stays {tune.key.mode}: transposing does not change a mode", where="key"))
    target = _writable(tonic, tune.key.mode)
    if target.tonic != tonic:
        remarks.append(Fault(f"{tonic} {tune.key.mode} has too many flats or sharps; written as {target}", where="key"))
    fifths = target.tonic.fifths - tune.key.tonic.fifths
    near = round(7 * fifths / 12)  # whole octaves in so many fifths
    octave = _octave(tune, 7 * fifths - 12 * near) - near
    move = _Move(4 * fifths + 7 * octave, 7 * fifths + 12 * octave, fifths)
    measures = tuple(_measure(measure, move) for measure in tune.measures)
    remarks += _outside(measures)
    return replace(tune, key=_key(tune.key, fifths)[0], measures=measures, told=tune.told + tuple(remarks))


class _Move:
    """An interval: diatonic steps, semitones, and its size on the line of fifths."""

    def __init__(self, steps: int, semitones: int, fifths: int) -> None:
        self.steps, self.semitones, self.fifths = steps, semitones, fifths


def _asked(key: Key | str) -> tuple[PitchClass, str]:
    """The tonic asked for, and the mode where one was named."""
    if isinstance(key, Key):
        return key.tonic, "" if key.mode == "major" else key.mode
    try:
        return PitchClass.parse(key), ""
    except ValueError:
        pass
    try:
        named = Key.parse(key)
    except ValueError as fault:
        raise InputError(Fault(str(fault), where="key")) from None
    return named.tonic, named.mode


def _writable(tonic: PitchClass, mode: str) -> Key:
    """The key, or its enharmonic twin where its signature would need more than seven signs."""
    towards = 12 if tonic.fifths < 0 else -12
    for turns in (0, 1):
        with suppress(ValueError):
            return Key(PitchClass.at_fifths(tonic.fifths + turns * towards), mode)
    return Key(PitchClass.at_fifths(tonic.fifths + 2 * towards), mode)  # B double sharp lydian and its like


def _octave(tune: Tune, semitones: int) -> int:
    """Octaves to move by besides: the fewest notes out of reach, then the smallest move, then down."""
    notes = [note.midi + semitones for measure in tune.measures for note in measure.notes]
    low, high = (pitch.midi for pitch in FIRST_POSITION)

    def cost(octave: int) -> tuple[int, int, int]:
        out = sum(not low <= midi + 12 * octave <= high for midi in notes)
        return out, abs(semitones + 12 * octave), octave

    return min(range(-4, 5), key=cost)


def _outside(measures: tuple[Measure, ...]) -> list[Fault]:
    low, high = FIRST_POSITION
    out = [note.pitch for measure in measures for note in measure.notes if not low.midi <= note.midi <= high.midi]
    if not out:
        return []
    names = list(dict.fromkeys(str(pitch) for pitch in sorted(out, key=lambda pitch: pitch.midi)))
    what = f"{len(out)} notes lie outside {low} to {high}, in whichever octave: {', '.join(names[:8])}"
    return [Fault(what, where="key")]


def _measure(measure: Measure, move: _Move) -> Measure:
    key, turn = _key(measure.key, move.fifths)
    steps = move.steps + turn
    return replace(
        measure,
        key=key,
        notes=tuple(_note(note, steps, move.semitones) for note in measure.notes),
        chords=tuple(
            ChordSpan(span.start, span.length, span.chord.transposed(move.fifths - 12 * turn) if span.chord else None)
            for span in measure.chords
        ),
    )


def _note(note: Note, steps: int, semitones: int) -> Note:
    return replace(
        note,
        pitch=note.pitch.transposed(steps, semitones),
        under=tuple(pitch.transposed(steps, semitones) for pitch in note.under),
        graces=tuple(pitch.transposed(steps, semitones) for pitch in note.graces),
    )


def _key(key: Key, fifths: int) -> tuple[Key, int]:
    """Move a key along the line of fifths; where that leaves what can be written, by the enharmonic way, a step off."""
    for turn in (0, 1, -1):  # twelve fifths up are a step down on the page: B sharp for C
        try:
            moved = fifths + 12 * -turn
            altered = []
            for letter, alter in key.altered:
                name = PitchClass.at_fifths(PitchClass(letter, alter).fifths + moved)
                altered.append((name.letter, name.alter))
            return Key(PitchClass.at_fifths(key.tonic.fifths + moved), key.mode, tuple(altered)), turn
        except ValueError:
            continue
    return key, 0
