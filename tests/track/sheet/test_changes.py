"""Bars whose chords the teacher has decided."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from underbow.errors import InputError
from underbow.lesson.print.staff import staff_tune
from underbow.track.sheet.model import Sheet

SheetMaker = Callable[..., Sheet]
TUNE = 'P:A\nD |: "G"GABc | edcB |1 "D"d3 D :|2 "D"d4 ||\nP:B\n"C"cBAG | "G"G3 |]'


def chords(sheet: Sheet) -> str:
    return " ".join(f"{span.start}:{span.chord or '-'}" for span in sheet.melody.chords)


def made(sheet_of: SheetMaker, changes: dict[str, str], **table: object) -> Sheet:
    return sheet_of(TUNE, unit="1/4", changes=changes, **table)


def test_a_decided_bar_is_played_so_every_time_and_its_neighbours_keep_theirs(sheet_of: SheetMaker) -> None:
    """Bar 2 has no symbol of its own: the G before it holds on, and comes back after the decided bar 1."""
    assert chords(made(sheet_of, {})) == "1:G 9:D 13:G 21:D 25:C 29:G"
    assert chords(made(sheet_of, {"1": "C"})) == "1:C 5:G 9:D 13:C 17:G 21:D 25:C 29:G"
    assert chords(made(sheet_of, {"2": "Am D7"})) == "1:G 5:Am 7:D7 9:D 13:G 17:Am 19:D7 21:D 25:C 29:G"


def test_first_and_second_endings_have_numbers_of_their_own(sheet_of: SheetMaker) -> None:
    assert chords(made(sheet_of, {"3": "A7"})) == "1:G 9:A7 13:G 21:D 25:C 29:G"
    assert chords(made(sheet_of, {"4": "A7"})) == "1:G 9:D 13:G 21:A7 25:C 29:G"


def test_a_bar_may_be_as_the_one_before_or_silent_and_the_pickup_has_its_own(sheet_of: SheetMaker) -> None:
    assert chords(made(sheet_of, {"5": "%"})) == "1:G 9:D 13:G 21:D 29:G"
    assert chords(made(sheet_of, {"5": "-"})) == "1:G 9:D 13:G 21:D 25:- 29:G"
    assert chords(made(sheet_of, {"0": "D7"})) == "0:D7 1:G 9:D 13:G 21:D 25:C 29:G"
    assert chords(made(sheet_of, {"2": "Am D7", "3": "%"}))[:26] == "1:G 5:Am 7:D7 9:Am 11:D7 1"


def test_it_lies_over_a_progression_in_the_key_that_is_played(sheet_of: SheetMaker) -> None:
    sheet = made(sheet_of, {"2": "Em"}, key="A", progression="A | D | A | E | D | A | A | E")
    assert chords(sheet) == "1:A 5:Em 9:A 13:E 17:Em 21:A 29:E"
    assert sheet.changes == (("2", "Em"),)


def test_it_lies_over_a_suggestion_and_under_a_pinned_shape(sheet_of: SheetMaker) -> None:
    plain = sheet_of("GBdB|ceAG|dBAF|G4|]", unit="1/4")
    sheet = sheet_of("GBdB|ceAG|dBAF|G4|]", unit="1/4", changes={"2": "Bb"}, shapes={"Bb": "L2-L2"})
    assert [str(span.chord) for span in plain.melody.chords if span.start != 4] == [
        str(span.chord) for span in sheet.melody.chords if span.start != 4
    ]
    assert [
        (str(span.chord), shape and shape.label)
        for span, shape in zip(sheet.melody.chords, sheet.shapes, strict=True)
        if span.start == 4
    ] == [("Bb", "L2-L2")]


def test_form_renumbers_nothing(sheet_of: SheetMaker) -> None:
    assert chords(made(sheet_of, {"5": "Em"}, form="BA")).startswith("0:Em 4:G")


def test_a_pickup_that_belongs_to_another_bar_has_that_bars_chords(sheet_of: SheetMaker) -> None:
    """B's own pickup is the end of bar 2, which the double bar cuts in two, also where the form begins with it."""
    body = 'P:A\nD | "G"GABc | "D"d3 ||\nP:B\nE | "C"cBAG | "G"G3 |]'
    assert chords(sheet_of(body, unit="1/4", form="BA", changes={"2": "Em A7", "0": "D7"}))[:10] == "0:A7 1:C 5"


def test_bars_for_practice_keep_what_was_decided(sheet_of: SheetMaker) -> None:
    assert chords(made(sheet_of, {"2": "Am D7"}, bars="2-3")) == "0:Am 2:D7 4:D"


def test_a_bar_that_the_form_leaves_out_may_be_decided_all_the_same(sheet_of: SheetMaker) -> None:
    assert chords(made(sheet_of, {"3": "Em"}, form="B")) == chords(made(sheet_of, {}, form="B"))


def test_the_staff_shows_it(sheet_of: SheetMaker) -> None:
    shown = [
        [str(span.chord) for span in measure.chords] for measure in staff_tune(made(sheet_of, {"2": "Am D7"})).measures
    ]
    assert shown == [[], ["G"], ["Am", "D7"], ["D"], ["D"], ["C"], ["G"]]


def test_the_pickup_of_a_tune_without_one(sheet_of: SheetMaker) -> None:
    with pytest.raises(InputError, match="changes, 0: there is no bar 0; the tune has bars 1 to 1"):
        sheet_of('"G"G8 |]', changes={"0": "D"})


def test_words_to_the_learner_are_plain_text(sheet_of: SheetMaker) -> None:
    assert sheet_of('"G"G8 |]', to_learner="  Slowly.\r\nBow\x1b[31m flat.\n").to_learner == "Slowly.\nBow[31m flat."
    assert sheet_of('"G"G8 |]').to_learner == ""
