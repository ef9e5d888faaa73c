"""What one pass plays: the tune evened out, in its form, over its chords, its bars chosen."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from underbow.errors import InputError
from underbow.theory.progression import Progression
from underbow.track.sheet.bars import bar_faults
from underbow.track.sheet.changes import decide, read_changes
from underbow.track.sheet.faults import Notebook, in_place
from underbow.track.sheet.form import (
    bars_if_played,
    check_sections,
    check_stretch,
    lay_under,
    order_in_form,
    take_bars,
)
from underbow.track.sheet.table import SheetTable
from underbow.tune.bars import printed_numbers
from underbow.tune.tune import Melody, Tune
from underbow.tune.written_out import write_out

if TYPE_CHECKING:
    from underbow.tune.harmony.harmonise import Harmony

MOST_NOTES = 100_000  # in one pass
MOST_IN_A_BAR = 2  # chords that nobody wonders at


@dataclass(frozen=True, slots=True)
class Arrangement:
    """A tune with chords, what one pass plays of it, and the progression that was laid under it or worked out.

    ``whole`` has the chords of all bars, also of those that are left out. ``doubtful`` are the bars, by printed number, whose
    chords were worked out and may well be wrong.
    """

    tune: Tune
    melody: Melody
    whole: Melody
    progression: Progression | None
    doubtful: frozenset[int] = frozenset()


def arrange(
    table: SheetTable, tune: Tune | None, progression: Progression | None, notebook: Notebook
) -> Arrangement | None:
    """Lay out what one pass plays; None where there is nothing to play.

    Faults go into the notebook. What is faulty is passed over, so that the rest can be checked as far as it doesn't rest on it.
    """
    if tune is None:
        _check_alone(table, notebook)
        return None
    source = table.tune or notebook.file
    worked_out: Progression | None = None
    doubtful: frozenset[int] = frozenset()
    if not any(span.chord for measure in tune.measures for span in measure.chords) and progression is None:
        harmony = _harmonised(tune, notebook)
        if harmony is not None:
            tune, worked_out, numbers = harmony.tune, harmony.progression, printed_numbers(harmony.tune)
            doubtful = frozenset(numbers[bar.measure] for bar in harmony.bars if bar.doubtful)
        elif not notebook.is_whole("tune"):
            return None
    melody = write_out(tune)
    if melody.length <= 0:
        notebook.say("tune", "no full bar of music; write at least one")
        return None
    if not tune.free:
        faults = [replace(fault, file=source) for fault in bar_faults(tune)]
        notebook.faults += faults if table.abc is None else map(in_place, faults)
    if table.form is not None:
        order = notebook.attempt("form", partial(order_in_form, tune, table.form))
        melody = melody if order is None else write_out(tune, order)
    melody = _with_chords(table, tune, melody, progression, notebook)
    doubtful -= {int(number) for number in table.changes if number.isdecimal()}
    whole = _whole(table, tune, melody, progression)
    if table.bars is not None:
        melody = _taken(table.bars, melody, notebook)
    if len(melody.notes) > MOST_NOTES and notebook.is_whole("form", "bars"):
        notebook.say(
            "tune",
            f"{len(melody.notes)} notes in one pass; the maximum is {MOST_NOTES}: play less of it with form or bars",
        )
    return Arrangement(tune, melody, whole, progression or worked_out, doubtful)


def _check_alone(table: SheetTable, notebook: Notebook) -> None:
    """Check what can be checked without the tune."""
    notebook.attempt("changes", partial(read_changes, table.changes, set()))
    if table.bars is not None:
        notebook.attempt("bars", partial(check_stretch, table.bars))


def _with_chords(
    table: SheetTable, tune: Tune, melody: Melody, progression: Progression | None, notebook: Notebook
) -> Melody:
    """Lay the progression under the melody and the decided bars over its chords; where the form is faulty, only check them."""
    formed = notebook.is_whole("form")
    if progression is not None and table.compose is None:  # what is composed has its chords
        if formed:
            melody = notebook.attempt("progression", partial(lay_under, melody, progression)) or melody
        else:
            notebook.attempt("progression", partial(check_sections, melody, progression))
        _tell_crowded(progression, notebook)
    if formed and table.changes:
        melody = notebook.attempt("changes", partial(decide, table.changes, tune, melody)) or melody
    elif table.changes:
        notebook.attempt("changes", partial(read_changes, table.changes, {*printed_numbers(tune)}))
    return melody


def _taken(bars: str, melody: Melody, notebook: Notebook) -> Melody:
    """Keep the bars that are asked for."""
    otherwise = bars_if_played(melody, bars)
    taken = notebook.attempt("bars", partial(take_bars, melody, bars))
    if taken is not None and otherwise:
        notebook.tell("bars", f"these are bars as printed; counted as they are played it would be {otherwise}")
    return taken or melody


def _whole(table: SheetTable, tune: Tune, melody: Melody, progression: Progression | None) -> Melody:
    """Give the chords of the whole tune: a form that leaves out bars shows theirs as well, unless a progression follows it."""
    if table.form is None or progression is not None:
        return melody
    try:
        return decide(table.changes, tune, write_out(tune))
    except InputError:  # the first bar is to be as the one before, which it has in this form alone
        return melody


def _tell_crowded(progression: Progression, notebook: Notebook) -> None:
    """Tell of chords that all stand in one bar: who leaves the bar lines out mostly means a bar each."""
    for changes in progression.sections:
        if len(changes.bars) == 1 and len(changes.bars[0]) > MOST_IN_A_BAR:
            chords = " ".join("-" if chord is None else str(chord) for chord in changes.bars[0])
            where = f"section {changes.name} has" if changes.name else "there is"
            notebook.tell(
                "progression",
                f"{where} one bar of chords, {chords}; for a bar each write {chords.replace(' ', ' | ')}",
            )


def _harmonised(tune: Tune, notebook: Notebook) -> Harmony | None:
    """Find chords for a tune that has none, where the sheet doesn't say them either."""
    if not notebook.is_whole("progression"):
        return None  # told already
    from underbow.tune.harmony.harmonise import harmonise  # noqa: PLC0415  for bare tunes only

    harmony = notebook.attempt("tune", partial(harmonise, tune))
    if harmony is not None:
        chords = str(harmony.progression).replace("\n", "   ")
        notebook.tell("progression", f"the tune has no chords; these were worked out: {chords}")
    return harmony
