"""What one pass plays: the tune evened out, in its form, over its chords, its bars chosen."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from underbow.theory.progression import Progression
from underbow.track._laying import full_bars
from underbow.track._sheet_faults import Notebook
from underbow.track._sheet_table import SheetTable
from underbow.track._sheet_tune import bar_faults
from underbow.track.evening import evened
from underbow.track.form import in_form, only_bars, over
from underbow.tune.tune import Melody, Tune

MOST_NOTES = 100_000  # in one pass


def melody_of(
    table: SheetTable, tune: Tune, progression: Progression | None, notebook: Notebook
) -> tuple[Melody, Progression | None] | None:
    """Lay out what one pass plays; give with it the progression that was laid under it."""
    source = table.tune or notebook.file
    whole, told = evened(tune.melody())
    for what in told:
        notebook.tell("", f"as played, {what}", source)
    if not full_bars(whole) or full_bars(whole)[-1].length <= 0:
        notebook.say("tune", "no full bar of music; write at least one")
        return None
    if not tune.free:
        notebook.faults += [replace(fault, file=source) for fault in bar_faults(whole)]
    melody: Melody | None = whole
    if table.form is not None:
        melody = notebook.attempt("form", partial(in_form, whole, table.form))
    if melody is not None and table.compose is None:  # a composed tune has its chords already
        if progression is None and not any(span.chord for span in melody.chords):
            progression = _harmonised(table, tune, notebook)
            if progression is None:
                return None
        if progression is not None:
            melody = notebook.attempt("progression", partial(over, melody, progression))
    if melody is not None and table.bars is not None:
        melody = notebook.attempt("bars", partial(only_bars, melody, table.bars))
    if melody is not None and len(melody.notes) > MOST_NOTES:
        notebook.say("tune", f"{len(melody.notes)} notes in one pass; {MOST_NOTES} are the most, write form or bars")
    return None if melody is None else (melody, progression)


def _harmonised(table: SheetTable, tune: Tune, notebook: Notebook) -> Progression | None:
    """Find chords for a tune that has none, where the sheet doesn't say them either."""
    if "progression" in notebook.broken or table.progression is not None:
        return None
    try:
        from underbow.tune.harmonise import harmonise  # noqa: PLC0415  for bare tunes only
    except ImportError:
        notebook.say("progression", 'the tune has no chords; write progression = "G | C | ..."')
        return None
    found = notebook.attempt("tune", lambda: harmonise(tune).progression)
    if found is not None:
        chords = str(found).replace("\n", "   ")
        notebook.tell("progression", f"the tune has no chords, so these were worked out: {chords}")
    return found
