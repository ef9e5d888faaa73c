"""The tune as it stands on the printed sheet and the page: over its notes the chords that are played."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from underbow.theory.progression import ChordSpan
from underbow.track.sheet.model import Sheet
from underbow.tune.bars import printed_numbers
from underbow.tune.tune import Tune


def staff_tune(sheet: Sheet) -> Tune:
    r"""Write the sheet's changes over the tune's notes, instead of the chords that the tune came with.

    Every measure gets the changes of the first time that it is played; one that is not played gets none. What was suggested
    and may well be wrong is marked as doubtful.

    >>> from pathlib import Path
    >>> from underbow.track.sheet.read import build_sheet
    >>> abc = 'X:1\nM:4/4\nL:1/4\nK:G\n"G"GABc|"C"cBAG|]'
    >>> sheet = build_sheet({"abc": abc, "pattern": "saw", "progression": "Em | Am D"}, Path(), "sheet.toml")
    >>> [[str(span.chord) for span in measure.chords] for measure in staff_tune(sheet).measures]
    [['Em'], ['Am', 'D']]
    """
    tune = _as_played(sheet)
    if sheet.progression is None and not sheet.changes:
        return tune
    starts: dict[int, Fraction] = {}
    for bar in sheet.melody.bars:
        for index, place in bar.measures:
            starts.setdefault(index, bar.start + place)
    numbers = printed_numbers(tune)
    return replace(
        tune,
        measures=tuple(
            replace(
                measure,
                chords=_begun(sheet, starts[index], measure.length, doubtful=numbers[index] in sheet.doubtful)
                if index in starts
                else (),
            )
            for index, measure in enumerate(tune.measures)
        ),
    )


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
        for span in sheet.melody.chords
        if start <= span.start < start + length
    )
