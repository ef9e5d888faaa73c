"""The sheet in words: its changes say the same as the printed ones."""

from __future__ import annotations

import base64
import hashlib
import re
import tomllib
from pathlib import Path
from typing import Any

from underbow.lesson.contents import contents_page, learner_text, sheet_text
from underbow.track.sheet.read import build_sheet, read_sheet

ROOT = Path(__file__).parents[2]


def changes(text: str) -> list[str]:
    return text.partition("The changes\n")[2].partition("  Played")[0].splitlines()


def test_a_chord_with_two_shapes_says_which_bar_takes_which() -> None:
    """Where the hand takes whichever shape lies nearest."""
    table = tomllib.loads((ROOT / "tracks" / "lamplight.toml").read_text("utf-8")) | {"hand": "nearest"}
    assert changes(sheet_text(build_sheet(table, ROOT / "tracks"))) == [
        "  A  | G       | %       | C (3-3) | D      |",
        "     | G       | C (3-3) | D       | G      |",
        "  B  | G       | C (3-1) | G       | D      |",
        "     | G       | C (3-3) | D       | G      |",
    ]


def test_bars_stay_under_each_other_where_one_is_long_and_each_row_begins_with_its_chord() -> None:
    tune = 'X:1\nT:x\nM:4/4\nL:1/4\nK:C\nP:A\n|:"C"c4|"C"c4|"Am"c4:|\nP:B\n|:"G"g4|g4|g4|g4|g4|"D"d4:|\n'
    sheet = build_sheet({"abc": tune, "pattern": "saw", "hand": "nearest", "tempo": {"goal": 80, "passes": 1}})
    assert changes(sheet_text(sheet)) == [
        "  A  | C (3-3, then 3-1) | %                 | Am               |",
        "  B  | G                 | %                 | %                 | %                |",
        "     | G                 | D                |",
    ]


def test_the_plan_counts_the_beat_in_words() -> None:
    text = sheet_text(read_sheet(ROOT / "tracks" / "wet-socks.toml"))
    assert "Practice plan\n  dotted quarter note = 60, 70, 80, 90, 100, 110\n" in text


def test_cut_time_is_put_into_words_as_two_two() -> None:
    """The letters of ABC for the sign are no musician's."""
    lines = sheet_text(read_sheet(ROOT / "tracks" / "lamplight.toml")).splitlines()
    assert lines[1] == "G major, 2/2"


def parts(count: int) -> list[dict[str, Any]]:
    files = [{"path": f"{kind}/tracks/x.mp3", "kind": "audio", "mix": "x"} for kind in "a"]
    return [
        {
            "title": f"Tune {n} <b>",
            "place": f"{n:02d} Tune",
            "facts": ["B♭ major", "6/8"],
            "mixes": ["x"],
            "files": files,
        }
        for n in range(count)
    ]


def test_many_tunes_are_searched_by_a_script_that_the_page_allows_and_no_other() -> None:
    few, many = contents_page("A & B", parts(12)), contents_page("A & B", iter(parts(300)))
    assert "<script" not in few
    assert "script-src" not in few
    (script,) = re.findall(r"<script>(.*?)</script>", many, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in many
    assert many.count("<section>") == many.count("<details>") == 300
    assert "Tune 299 &lt;b&gt;" in many
    assert "<p>B♭ major, 6/8</p>" in many


def test_the_readme_of_many_tunes_names_the_page_that_lists_them() -> None:
    text = learner_text("A course", iter(parts(300)))
    assert "There are 300 tunes. Open index.html" in text
    assert len(text.splitlines()) < 30
    assert "00 Tune/" in learner_text("A course", parts(2))


def test_the_plan_says_how_often_each_tempo_comes_and_what_comes_between() -> None:
    tune = 'X:1\nT:x\nM:4/4\nL:1/4\nK:C\n"C"c4|"G"d4|]\n'
    tempo = {"start": 60, "goal": 80, "passes": 2}
    plain, twice = (
        sheet_text(build_sheet({"abc": tune, "pattern": "saw", "tempo": tempo | more}))
        for more in ({}, {"each": 2, "between": 2})
    )
    lines = ["  Every tempo is played 2 times.", "  2 bars of clicks come before each new tempo."]
    assert [line for line in twice.splitlines() if line in lines] == lines
    assert not {*lines} & {*plain.splitlines()}
