"""A tune written down from a recording of it, as a draft: all of it, from the file to the page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from underbow.ear.melody.doubts import refused
from underbow.ear.melody.onsets import Sight
from underbow.ear.melody.route import HOP
from underbow.ear.melody.salience import salience, tuned_at
from underbow.ear.recording import LONGEST, read_recording
from underbow.ear.writing.barlines import find_meter, find_pickup
from underbow.ear.writing.form import part_length, roll
from underbow.ear.writing.grid import Grid, on_grid, with_triplets
from underbow.ear.writing.notes import Sounding, main_notes, notes_of
from underbow.ear.writing.page import Heading, Sketch, abc_of, sketch
from underbow.errors import InputError
from underbow.files.workplace import scratch
from underbow.theory.meter import Meter, Tempo
from underbow.tune.keyfind import find_key
from underbow.tune.midi.quantise import Played
from underbow.tune.tune import Tune

__all__ = ["Given", "Written", "write_down"]

_FEWEST = 8  # notes
_UNCLEAR = 0.85  # a note that sounds less clearly is in doubt
_FAR = 0.33  # of an eighth: a note that lay so far off is in doubt
_SURELY = 0.9  # a meter that is less likely is a guess: of 250 tunes over it one was wrong, of 26 others five
_PAUSE = 0.4  # of an eighth of silence that make a rest


@dataclass(frozen=True, slots=True)
class Given:
    """What the player says: meter, and the beat with so many of it a minute; what isn't said is found."""

    meter: Meter | None = None
    beat: Fraction | None = None
    tempo: float | None = None


@dataclass(frozen=True, slots=True)
class Written:
    """A draft.

    Parameters
    ----------
    abc : str
    tune : Tune
    told : tuple of str
        What was found and what is in doubt.
    """

    abc: str
    tune: Tune
    told: tuple[str, ...]


def write_down(path: Path, given: Given = Given(), *, title: str = "", longest: int = LONGEST) -> Written:
    """Write down what is played in a recording.

    Parameters
    ----------
    path : Path
        One fiddle, one note at a time.
    given : Given
    title : str
        Of the tune; by default the file's name.
    longest : int
        Seconds.

    Raises
    ------
    InputError
        Where it can't be read, is no good, or holds too few notes.
    """
    with scratch() as folder:
        recording = read_recording(path, folder, longest)
        try:
            pitch, _ = tuned_at(recording.sound)
            refused(recording, *salience(recording.sound, HOP, 2048, pitch))
        except InputError as error:
            raise InputError(f"{path}: {error}") from None
        notes = main_notes(notes_of(Sight.of(recording.sound, pitch)))
    if len(notes) < _FEWEST:
        raise InputError(f"{path}: only {len(notes)} notes are heard in it; record the whole tune, alone and near by")
    return from_notes(notes, title or path.stem, given, pitch)


def from_notes(notes: Sequence[Sounding], title: str, given: Given = Given(), pitch: float = 440.0) -> Written:
    """Write down notes as they were played.

    Parameters
    ----------
    notes : sequence of Sounding
        In order, without ornaments.
    title : str
    given : Given
    pitch : float
        Hz of the player's A4, to be told.
    """
    begins = [note.start for note in notes]
    eighth = None
    if given.tempo is not None:
        eighth = 60 / given.tempo / float(2 * (given.beat or (given.meter.beat if given.meter else Fraction(1))))
    grid = on_grid(begins, eighth, given.meter)
    line = _line(notes, [Fraction(place, 4) for place in grid.places], grid.eighth)
    part = part_length(line)
    meter, sure = (given.meter, 1.0) if given.meter else find_meter(line, part, grid.eighth)
    pickup = find_pickup(line, meter, part)
    line = _line(notes, with_triplets(begins, grid.places, meter, pickup), grid.eighth)
    key = find_key([(note.start - pickup, note.end - note.start, note.midi) for note in line], meter.bar, part)
    beat = given.beat or meter.beat
    tempo = Tempo(Fraction(round(30 / grid.eighth / float(beat))), beat)
    written = sketch(line, Heading(title, key, meter, tempo, pickup), part)
    doubts = _doubts(written, line, notes, grid)
    told = [f"{key}, {meter}, about {tempo}, A at {pitch:.1f} Hz; {len(line)} notes"]
    if sure < _SURELY:
        told.append(f"the meter is a guess; if it isn't {meter}, say which it is")
    if part is None:
        told.append("no part is played twice in the same way; it is written out as played")
    if doubts:
        told.append(
            f"{len(doubts)} of {len(written.tune.measures)} bars are in doubt: marked with ? and told in the file"
        )
    remarks = ["a draft, written down from a recording; listen and correct"]
    return Written(abc_of(written, doubts, remarks), written.tune, tuple(told))


def _line(notes: Sequence[Sounding], places: Sequence[Fraction], eighth: float) -> list[Played]:
    """The notes with their lengths: up to the next one, unless it is silent before it. Places in quarters."""
    out = []
    for at, (note, start) in enumerate(zip(notes, places, strict=True)):
        halves = Fraction(round((note.end - note.start) / eighth), 2)
        if at + 1 < len(notes):
            end = places[at + 1]
            if notes[at + 1].start - note.end > _PAUSE * 2 * eighth:
                end = min(start + max(halves, Fraction(1, 4)), end)
        else:
            end = start + max(halves, Fraction(1, 2))
        out.append(Played(start, end, note.midi))
    return out


def _doubts(written: Sketch, line: Sequence[Played], notes: Sequence[Sounding], grid: Grid) -> dict[int, str]:
    """What is in doubt, by measure."""
    pitches = roll(line)
    out: dict[int, str] = {}
    for measure, (low, high) in enumerate(written.spans):
        inside = [at for at, note in enumerate(line) if low <= note.start < high]
        what = []
        if any(notes[at].sure < _UNCLEAR for at in inside):
            what.append("a pitch isn't clear")
        moved = [2 * float(line[at].start - Fraction(grid.places[at], 4)) for at in inside]  # into a triplet
        if any(abs(grid.off[at] - by) > _FAR for at, by in zip(inside, moved, strict=True)):
            what.append("the rhythm isn't even")
        for first, second, length in written.repeats:
            if first <= low < second + length:
                by = second - first if low < second else first - second
                one = pitches[int(low * 4) : int(high * 4)]
                two = pitches[int((low + by) * 4) : int((high + by) * 4)]
                if len(one) == len(two) and float(np.mean(one != two)) > 0.1:
                    what.append(f"played otherwise the {'second' if low < second else 'first'} time")
        if what:
            out[measure] = "; ".join(what)
    return out
