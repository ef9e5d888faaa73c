"""From a checked table to a sheet: files loaded, chords arranged under the tune, the ramp worked out, every fault collected."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

from underbow.errors import Fault
from underbow.fiddle.pattern import Pattern
from underbow.fiddle.shapes.choices import pinned_shapes
from underbow.fiddle.shapes.cost import HANDS
from underbow.fiddle.shapes.fingerboard import HandShape
from underbow.fiddle.shapes.path import Step, solve
from underbow.fiddle.shapes.search import PLAIN
from underbow.fiddle.tuning import Tuning
from underbow.text import one_line, plain_lines
from underbow.theory.chord import Chord
from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.theory.progression import Progression
from underbow.track.ramp import Ramp
from underbow.track.sheet.faults import Notebook, in_place
from underbow.track.sheet.melody import arrange
from underbow.track.sheet.mixes import mixes_of
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.patterns import named_patterns, patterns_played
from underbow.track.sheet.ramp import ramp_of, range_of, too_long
from underbow.track.sheet.recording import recording_of
from underbow.track.sheet.table import SheetTable
from underbow.track.sheet.tune import Source, tune_of
from underbow.tune.tune import Melody, Tune

_LONGEST = 300  # characters of a title


def assemble(table: SheetTable, folder: Path | None, notebook: Notebook) -> Sheet | None:
    """Build a sheet; None where something is missing that it rests on.

    Into the notebook go all faults, but for what would follow from another.
    """
    tuning = notebook.attempt("tuning", partial(Tuning.parse, table.tuning))
    pair = notebook.attempt("strings", partial((tuning or Tuning.parse("GDAE")).pair, table.strings))
    mixes = mixes_of(table.mix, notebook)
    progression = notebook.read("progression", Progression.parse, table.progression)
    named = named_patterns(table, folder, notebook)
    tune = _tune(table, folder, notebook, tuning=tuning, progression=progression, named=named)
    arranged = arrange(table, tune, progression, notebook)
    recording = recording_of(table.recording, tune, folder, notebook)
    patterns = patterns_played(table, arranged.tune, arranged.melody, named, notebook) if arranged is not None else ()
    if arranged is not None and patterns:
        ramp = notebook.attempt("tempo", partial(ramp_of, table.tempo, arranged.tune.meter, patterns[0][1]))
    else:  # the tempo is checked all the same, as far as it goes
        meter = tune.meter if tune is not None else next((pattern.grid.meter for pattern in named.values()), None)
        ramp = notebook.attempt("tempo", partial(range_of, table.tempo, meter))
    if arranged is not None and ramp is not None and notebook.is_whole("form", "bars"):
        fault = too_long(ramp, arranged.melody, table.tempo.count_in)
        if fault:
            notebook.say("tempo", fault)
    sure = arranged is not None and notebook.is_whole("form", "bars", "progression", "changes")
    pinned = _pinned(table, arranged.melody if arranged is not None and sure else None, notebook)
    if tuning is None or pair is None:
        return None
    if arranged is None or not sure or not patterns or ramp is None:
        notebook.attempt("shapes", partial(pinned_shapes, pinned, (), tuning, pair, PLAIN))
        return None
    tune, melody = arranged.tune, arranged.melody
    shapes = _shapes(table.hand, melody, ramp, tuning, pair, pinned=pinned, notebook=notebook)
    if shapes is None:
        return None
    sound = table.sound
    return Sheet(
        title=one_line(table.title or tune.title, _LONGEST) or "Untitled",
        file=notebook.file,
        tune=tune,
        melody=melody,
        whole=arranged.whole,
        patterns=patterns,
        progression=arranged.progression,
        changes=tuple(table.changes.items()),
        tuning=tuning,
        strings=table.strings,
        pinned=tuple(table.shapes.items()),
        shapes=shapes,
        form=table.form or "",
        bars=table.bars or "",
        to_learner=plain_lines(table.to_learner or ""),
        ramp=ramp,
        count_in=table.tempo.count_in,
        concert_pitch=float(sound.concert_pitch),
        loudness=float(sound.loudness),
        room=sound.room,
        seed=sound.seed,
        voice=sound.voice,
        feel_ms=float(sound.feel_ms),
        feel_db=float(sound.feel_db),
        drone=sound.drone,
        tuning_notes=sound.tuning_notes,
        mixes=mixes,
        recording=recording,
        doubtful=arranged.doubtful,
        told=_told(table, tune, notebook),
    )


def _tune(
    table: SheetTable,
    folder: Path | None,
    notebook: Notebook,
    *,
    tuning: Tuning | None,
    progression: Progression | None,
    named: dict[str, Pattern],
) -> Tune | None:
    """Load or compose the tune."""
    key = notebook.read("key", Key.parse, table.key)
    meter = notebook.read("meter", Meter.parse, table.meter)
    if table.meter is not None and table.compose is None and (table.tune or table.abc):
        notebook.say("meter", "a written tune has its own; leave meter out (it is for a composed one)")
    given = [name for name in ("tune", "abc", "compose") if getattr(table, name) is not None]
    if not given and notebook.is_whole("tune", "abc", "compose"):
        notebook.say("tune", 'missing; write tune = "name.abc" for a file beside the sheet, abc = """ ... """ for a tune in '
                     "place, or compose = { seed = 1 } for a melody over the progression")  # fmt: skip
    elif len(given) > 1:
        notebook.say("tune", f"found {' and '.join(given)}, expected one of them; leave the others out")
    if len(given) != 1:
        return None
    if given == ["compose"] and progression is None and not notebook.is_whole("progression"):
        return None  # what is wrong with the changes is told already
    if meter is None and named:
        meter = next(iter(named.values())).grid.meter
    source = Source(table, folder, notebook.file, progression, key, meter, tuning)
    return notebook.attempt(given[0], partial(tune_of, source))


def _pinned(table: SheetTable, melody: Melody | None, notebook: Notebook) -> dict[str, str]:
    """Read for which chords the sheet has shapes; without a melody nobody knows which are played."""
    pinned: dict[str, str] = {}
    played = {str(span.chord) for span in melody.chords if span.chord} if melody is not None else set()
    for symbol, shape in table.shapes.items():
        chord = notebook.read(f"shapes, {symbol}", Chord.parse, symbol)
        if melody is not None and chord is not None and str(chord) not in played:
            notebook.say(f"shapes, {symbol}", f"{symbol} is not played; the chords are {', '.join(sorted(played))}")
        elif chord is not None:
            pinned[str(chord)] = shape
    return pinned


def _shapes(
    hand: str,
    melody: Melody,
    ramp: Ramp,
    tuning: Tuning,
    pair: tuple[int, int],
    *,
    pinned: dict[str, str],
    notebook: Notebook,
) -> tuple[HandShape | None, ...] | None:
    """Solve the left hand for one pass going round, at the goal tempo, where it is hardest."""
    rate = float(ramp.tempos[-1].quarters_per_minute) / 60
    steps = [Step(span.chord, float(span.length) / rate) for span in melody.chords]
    solution = notebook.attempt("shapes", lambda: solve(steps, tuning, pair, pinned, around=True, weights=HANDS[hand]))
    if solution is None:
        return None
    for text in solution.fallbacks:  # the shapes command tells the rest
        notebook.tell("shapes", text)
    return solution.shapes


def _told(table: SheetTable, tune: Tune, notebook: Notebook) -> tuple[Fault, ...]:
    """Tell what the tune's reader assumed, then what the sheet's did, each once."""
    of_tune = tune.told if table.abc is None else map(in_place, tune.told)
    told = [fault if fault.file else replace(fault, file=notebook.file) for fault in [*of_tune, *notebook.told]]
    return tuple(dict.fromkeys(told))
