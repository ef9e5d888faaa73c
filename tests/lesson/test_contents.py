"""The sheet in words: its changes say the same as the printed ones."""

from __future__ import annotations

from pathlib import Path

from underbow.lesson.contents import sheet_text
from underbow.track.sheet.read import build_sheet, read_sheet

ROOT = Path(__file__).parents[2]


def changes(text: str) -> list[str]:
    return text.partition("The changes\n")[2].partition("  Played")[0].splitlines()


def test_a_chord_with_two_shapes_says_which_bar_takes_which() -> None:
    assert changes(sheet_text(read_sheet(ROOT / "tracks" / "lamplight.toml"))) == [
        "  A  | G       | %       | C (3-3) | D      |",
        "     | G       | C (3-3) | D       | G      |",
        "  B  | G       | C (3-1) | G       | D      |",
        "     | G       | C (3-3) | D       | G      |",
    ]


def test_bars_stay_under_each_other_where_one_is_long_and_each_row_begins_with_its_chord() -> None:
    tune = 'X:1\nT:x\nM:4/4\nL:1/4\nK:C\nP:A\n|:"C"c4|"C"c4|"Am"c4:|\nP:B\n|:"G"g4|g4|g4|g4|g4|"D"d4:|\n'
    sheet = build_sheet({"abc": tune, "pattern": "saw", "tempo": {"goal": 80, "passes": 1}})
    assert changes(sheet_text(sheet)) == [
        "  A  | C (3-3, then 3-1) | %                 | Am               |",
        "  B  | G                 | %                 | %                 | %                |",
        "     | G                 | D                |",
    ]


def test_the_plan_counts_the_beat_in_words() -> None:
    text = sheet_text(read_sheet(ROOT / "tracks" / "wet-socks.toml"))
    assert "Practice plan\n  dotted quarter note = 60, 70, 80, 90, 100, 110\n" in text
