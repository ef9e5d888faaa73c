"""The tune as it stands on the printed sheet and the page: over its notes the chords that are played."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction

from underbow.theory.progression import ChordSpan
from underbow.track.sheet.model import Sheet
from underbow.tune.bars import is_pickup, printed_numbers
from underbow.tune.tune import Measure, Tune


def staff_tune(sheet: Sheet) -> Tune:
    r"""Write the sheet's changes over the tune's notes, instead of the chords that the tune came with.

    Every measure gets the changes of the first time that it is played, also where the sheet plays some bars alone; one that
    the form leaves out gets none of a progression. What was suggested and may well be wrong is marked as doubtful. Where a
    section, an ending or the stretch that is played begins, the chord in force is written again, for whoever begins there.

    >>> from pathlib import Path
    >>> from underbow.track.sheet.read import build_sheet
    >>> abc = 'X:1\nM:4/4\nL:1/4\nK:G\n"G"GABc|"C"cBAG|]'
    >>> sheet = build_sheet({"abc": abc, "pattern": "saw", "progression": "Em | Am D"}, Path(), "sheet.toml")
    >>> [[str(span.chord) for span in measure.chords] for measure in staff_tune(sheet).measures]
    [['Em'], ['Am', 'D']]
    """
    tune = _as_played(sheet)
    starts: dict[int, Fraction] = {}
    for bar in sheet.whole.bars:
        for index, place in bar.measures:
            starts.setdefault(index, bar.start + place)
    if sheet.progression is not None or sheet.changes:
        numbers = printed_numbers(tune)
        measures = tuple(
            replace(
                measure,
                chords=_begun(sheet, starts[index], measure.length, doubtful=numbers[index] in sheet.doubtful)
                if index in starts
                else (),
            )
            for index, measure in enumerate(tune.measures)
        )
        tune = replace(tune, measures=measures)
    return _with_reminders(sheet, tune, starts)


def _with_reminders(sheet: Sheet, tune: Tune, starts: Mapping[int, Fraction]) -> Tune:
    """Write the chord in force where somebody may begin: over the first full measure of a section, an ending, a stretch."""
    measures = list(tune.measures)
    numbers = printed_numbers(tune)
    shown = shown_measures(sheet) or range(len(measures))
    due = False
    before: Measure | None = None
    for index in sorted(shown):
        measure = measures[index]
        due |= before is None or measure.ending_start or measure.section != before.section
        leads = not measure.ending_start and is_pickup(tune, index, index - 1 if index else None)
        if due and index in starts and not leads:
            due = False
            if not measure.chords or measure.chords[0].start > 0:
                measures[index] = _reminded(sheet, measure, starts[index], doubtful=numbers[index] in sheet.doubtful)
        before = measure
    return tune if tuple(measures) == tune.measures else replace(tune, measures=tuple(measures))


def _reminded(sheet: Sheet, measure: Measure, start: Fraction, *, doubtful: bool) -> Measure:
    sounding = next((span.chord for span in sheet.whole.chords if span.start <= start < span.end), None)
    if sounding is None:
        return measure
    length = measure.chords[0].start if measure.chords else measure.length
    return replace(measure, chords=(ChordSpan(Fraction(0), length, sounding, doubtful), *measure.chords))


def _as_played(sheet: Sheet) -> Tune:
    """The tune without its repeat signs where the sheet's form goes another way: what is printed must not say otherwise."""
    tune = sheet.tune
    played = [index for bar in sheet.melody.bars for index, _ in bar.measures]
    if not sheet.form or played == list(tune.order):
        return tune
    return replace(tune, measures=tuple(replace(one, repeat_start=0, repeat_end=0) for one in tune.measures))


def shown_measures(sheet: Sheet) -> frozenset[int] | None:
    """Give the measures that a sheet of some bars plays, by their index in the tune; None where it is all of them."""
    if not sheet.bars:
        return None
    return frozenset(index for bar in sheet.melody.bars for index, _ in bar.measures)


def _begun(sheet: Sheet, start: Fraction, length: Fraction, *, doubtful: bool) -> tuple[ChordSpan, ...]:
    """The chords that begin in a measure, from its start."""
    return tuple(
        replace(span, start=span.start - start, length=min(span.length, start + length - span.start), doubtful=doubtful)
        for span in sheet.whole.chords
        if start <= span.start < start + length
    )
