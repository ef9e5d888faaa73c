"""The chords over the printed tune are the ones that are played."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from underbow.lesson.print.handout import make_handout
from underbow.lesson.print.staff import staff_tune
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet
from underbow.tune.written_out import write_out

ENDINGS = """X:1
M:4/4
L:1/4
K:G
P:A
D|:"G"GABc|"C"cBAG|1 "D"dAFD:|2 "G"G2 z D|]
P:B
|:"G"gfed|"G"cBAG|"D"d2 z2|z4|"D"dAF2:|
"""


def made(**table: Any) -> Sheet:
    return build_sheet({"abc": ENDINGS, "pattern": "saw"} | table, Path(), "sheet.toml")


def over_the_notes(sheet: Sheet) -> list[str]:
    return [" ".join(str(span.chord) for span in measure.chords) for measure in staff_tune(sheet).measures]


def test_the_sheets_changes_stand_in_place_of_the_tunes() -> None:
    sheet = made(progression="A: Em | Am D | Bm\nB: C | % | C D | D7 | G")
    assert over_the_notes(sheet) == ["", "Em", "Am D", "Bm", "Bm", "C", "", "D", "D7", "G"]
    assert write_out(staff_tune(sheet)).chords == sheet.melody.chords


@pytest.mark.parametrize(
    "table",
    [
        {"progression": "G | Am", "form": "AB"},
        {"progression": "A: G7 | C7 | F D\nB: D | G | A | D7 | G", "form": "BA"},
    ],
)
def test_with_another_form_the_chord_at_every_change_is_printed(table: dict[str, Any]) -> None:
    sheet = made(**table)
    printed = {chord for words in over_the_notes(sheet) for chord in words.split()}
    assert printed == {str(span.chord) for span in sheet.melody.chords if span.chord is not None}


def test_a_tune_that_keeps_its_chords_is_printed_as_it_was_written() -> None:
    sheet = made()
    assert staff_tune(sheet) is sheet.tune


def test_chords_that_were_worked_out_are_printed() -> None:
    bare = "".join(part for number, part in enumerate(ENDINGS.split('"')) if number % 2 == 0)
    sheet = made(abc=bare)
    assert write_out(staff_tune(sheet)).chords == sheet.melody.chords


def test_the_printed_sheet_has_them() -> None:
    one, other = (made(progression=changes, title="t") for changes in ("G | D", "Em | Bm"))
    assert make_handout(one) != make_handout(other)


def test_whoever_begins_at_a_section_or_an_ending_sees_the_chord_that_goes_on() -> None:
    written = """X:1
M:4/4
L:1/4
K:G
P:A
|:"D"d4|"G"G4|1 G4:|2 B2 G|
P:B
B|d4|B4|"C"c4|"G"G4|]
"""
    assert over_the_notes(made(abc=written)) == ["D", "G", "G", "G", "", "G", "", "C", "G"]
    alone = made(abc=written, bars="6-8")
    assert over_the_notes(alone)[6] == "G"


def test_the_tunes_chords_stay_where_some_bars_or_sections_alone_are_played() -> None:
    changes = {"2": "Am", "5": "Em"}
    whole = over_the_notes(made(changes=changes))
    assert "Em" in whole
    assert over_the_notes(made(changes=changes, bars="1-2")) == whole
    assert over_the_notes(made(changes=changes, form="A"))[5:] == whole[5:]
