"""What the desk keeps: the sheet's own file, changed where asked and nowhere else, and read alike by the command line."""

from __future__ import annotations

import json
import tomllib
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from underbow.cli.commands import app

from .conftest import TRACKS, Opened, opened
from .page.jobs_by_hand import JIG, REEL, WALTZ

SHEETS = sorted(TRACKS.glob("*.toml"))


def check(*paths: Path) -> Any:
    """What the command line says of files, as plain data."""
    return json.loads(CliRunner().invoke(app, ["check", "--json", *map(str, paths)]).stdout)


# --- by the page's requests, and by the command line ---


def test_what_the_desk_writes_the_command_line_reads(desk: Opened, lessons: Path) -> None:
    begun = desk.post("/sheets", {"abc": REEL}).json()["name"]
    desk.change(
        begun, (["changes", "2"], "D Bm"), (["to_learner"], "Keep the first finger down."), (["tempo", "goal"], 100)
    )
    shown = desk.sheet(begun)
    rows = {**shown["bow"]["sections"][0]["rows"], "bow": "d-udu-du"}
    kept = desk.post(
        f"/sheet/{begun}/bow", {"version": shown["version"], "rows": rows, "title": "Mine", "section": None}
    )
    assert kept.status_code == 200
    round_ = desk.post("/sheets", {"chords": "G C D G", "meter": "6/8"}).json()["name"]
    for said in check(lessons / begun, lessons / round_, lessons / "mine.toml"):
        assert said["faults"] == [], said
    table = tomllib.loads((lessons / begun).read_text("utf-8"))
    assert table["pattern"] == "mine.toml"
    assert table["changes"] == {"2": "D Bm"}
    mine = desk.sheet(begun)["bow"]["sections"][0]
    assert (mine["title"], mine["about"]) == ("Mine", "")  # what is printed beneath it is the teacher's to say


def test_what_the_command_line_and_an_editor_write_the_desk_shows(desk: Opened, lessons: Path) -> None:
    starter = lessons / "mine"
    assert CliRunner().invoke(app, ["new", str(starter)]).exit_code == 0
    names = [one["name"] for one in desk.get("/shelf").json()["sheets"]]
    assert "mine/first-track.toml" in names
    assert "mine/my-pattern.toml" not in names  # a pattern is no sheet
    shown = desk.sheet("mine/first-track.toml")
    assert shown["problems"] == []
    assert shown["changes"]


def test_the_problems_are_those_of_check_in_the_same_words(desk: Opened, lessons: Path) -> None:
    sheet = lessons / "gateposts.toml"
    sheet.write_text(
        sheet.read_text("utf-8").replace(
            "[tempo]", 'tuning = "GDXX"\nprogresion = "G"\n\n[changes]\n2 = "H7"\n\n[tempo]'
        ),
        "utf-8",
    )
    words = [fault.partition(": ")[2] for fault in check(sheet)[0]["faults"]]
    shown = desk.sheet("gateposts.toml")["problems"]
    assert len(shown) == len(words) >= 3
    for problem in shown:
        assert any(word.endswith(problem["what"]) for word in words), problem
    assert {problem["part"] for problem in shown} >= {"fingers", "changes"}


def test_a_wrong_chord_in_bar_7_leaves_the_rest_to_be_seen_and_heard(desk: Opened) -> None:
    shown = desk.change("gateposts.toml", (["changes", "7"], "H7"))
    assert [(one["part"], one["bar"]) for one in shown["problems"]] == [("changes", 7)]
    assert shown["until"] == 7
    bar = next(one for one in shown["changes"] if one["number"] == 7)
    assert bar["typed"] == "H7"
    assert len(shown["changes"]) == 16
    assert desk.post("/sheet/gateposts.toml/sound", {"bar": 1}).status_code == 200
    late = desk.post("/sheet/gateposts.toml/sound", {"bar": 7})
    assert late.status_code == 400
    assert "begin before it" in late.json()["problems"][0]["what"]


def test_a_shape_that_a_new_tuning_forbids_is_shown_and_the_other_shapes_stay(desk: Opened) -> None:
    """Only the shape that can't be played is left out, though the words on it name the chords of others."""
    desk.change("gateposts.toml", (["shapes", "D"], "4-2"), (["shapes", "A"], "0-0"), (["shapes", "Fm"], "9-9"))
    shown = desk.change("gateposts.toml", (["tuning"], "AEAE"))["fingers"]
    assert [(one["written"], one["of"], one["label"], one["svg"][:4]) for one in shown["refused"]] == [
        ("D", "D", "4-2", "<svg"),
        ("Fm", "Fm", "9-9", ""),
    ]
    assert {one["written"]: (one["label"], one["ink"]) for one in shown["shapes"] if one["written"] in "AD"} == {
        "A": ("0-0", True),
        "D": ("3-1", False),
    }


@pytest.mark.parametrize(
    ("key", "value", "part"),
    [
        (["tempo", "start"], "fast", "plan"),
        (["tempo", "goal"], 9999, "plan"),
        (["tempo"], 5, "plan"),
        (["pattern"], "no-such", "bow"),
        (["pattern"], {"A": "saw"}, "bow"),
        (["tuning"], "XXXX", "fingers"),
        (["strings"], "lowest", "fingers"),
        (["shapes", "G"], "9-9", "fingers"),
        (["shapes", "Fm"], "0-0", "fingers"),
        (["form"], "AXB", "head"),
        (["bars"], "5-900", "head"),
        (["key"], "H", "head"),
        (["progression"], "G | H7 | C", "changes"),
        (["mix"], "loud", "players"),
        (["sound", "voice"], "kazoo", "players"),
        (["changes", "400"], "G", "changes"),
        (["to_learner"], 5, "learner"),
    ],
    ids=str,
)
def test_whatever_is_wrong_is_shown_at_its_part_and_the_paper_stays(
    desk: Opened, key: list[str], value: Any, part: str
) -> None:
    shown = desk.change("gateposts.toml", (key, value))
    assert part in {one["part"] for one in shown["problems"]}, shown["problems"]
    assert shown["changes"]
    assert shown["staff"].startswith("<svg")
    place = {"bar": 16, "pass": 5} if shown["until"] is None else {"bar": 1}
    assert desk.post("/sheet/gateposts.toml/sound", place).status_code == 200


def test_a_tune_that_cannot_be_read_can_still_be_written(desk: Opened, lessons: Path) -> None:
    shown = desk.sheet("gateposts.toml")
    broken = desk.post(
        "/sheet/gateposts.toml/tune", {"version": shown["version"], "abc": "T:No notes yet\nK:G\n"}
    ).json()
    assert [one["part"] for one in broken["problems"]] == ["tune"]
    assert "changes" not in broken
    mended = desk.post("/sheet/gateposts.toml/tune", {"version": broken["version"], "abc": REEL}).json()
    assert mended["problems"] == []
    assert (lessons / "gateposts.abc").read_text("utf-8") == REEL


def test_a_sheet_that_is_no_toml_shows_its_text_to_be_put_right(desk: Opened, lessons: Path) -> None:
    (lessons / "gateposts.toml").write_text('title = "x\ntune = "gateposts.abc"\n', "utf-8")
    shown = desk.sheet("gateposts.toml")
    assert shown["text"].startswith('title = "x')
    assert shown["problems"][0]["part"] == "sheet"
    mended = desk.post(
        "/sheet/gateposts.toml/changes", {"version": shown["version"], "text": 'title = "x"\ntune = "gateposts.abc"\n'}
    ).json()
    assert mended["problems"] == []


# --- pencil and ink ---


def test_what_is_suggested_is_pencil_until_it_is_decided_and_again_when_rubbed_out(desk: Opened, lessons: Path) -> None:
    name = desk.post("/sheets", {"abc": REEL}).json()["name"]
    shown = desk.sheet(name)
    assert not any(bar["ink"] for bar in shown["changes"])
    assert all(0 < bar["sure"] <= 1 and bar["others"] for bar in shown["changes"])
    assert not any(
        [
            shown["head"]["key_ink"],
            shown["plan"]["ink"],
            shown["bow"]["sections"][0]["ink"],
            shown["fingers"]["shapes"][0]["ink"],
        ]
    )
    before = (lessons / name).read_bytes()
    decided = desk.change(name, (["changes", "3"], "Em"))
    bar = next(one for one in decided["changes"] if one["number"] == 3)
    assert (bar["ink"], bar["written"], bar["sure"]) == (True, "Em", None)
    assert [one["ink"] for one in decided["changes"]].count(True) == 1
    desk.change(name, (["changes", "3"], None))
    assert (lessons / name).read_bytes().rstrip() == before.rstrip()
    assert (lessons / name.replace(".toml", ".abc")).read_text("utf-8") == REEL  # which other sheets may share


def test_accepting_a_suggestion_inks_it_so_that_nothing_else_moves_it(desk: Opened) -> None:
    name = desk.post("/sheets", {"abc": REEL}).json()["name"]
    suggested = desk.sheet(name)["changes"][0]["written"]
    assert desk.change(name, (["changes", "1"], suggested))["changes"][0]["ink"]


def test_another_key_takes_what_was_decided_along(desk: Opened) -> None:
    name = desk.post("/sheets", {"abc": REEL}).json()["name"]
    desk.change(name, (["changes", "2"], "D Bm"), (["changes", "3"], "%"))
    moved = desk.change(name, (["key"], "A"))
    assert moved["head"]["tonic"] == "A"
    assert [bar["written"] for bar in moved["changes"] if bar["number"] == 2] == ["E C#m"]
    back = desk.change(name, (["key"], None))
    assert [bar["written"] for bar in back["changes"] if bar["number"] == 2] == ["D Bm"]
    chords = desk.post("/sheets", {"chords": "G C D7 G"}).json()["name"]
    up = desk.change(chords, (["key"], "A"))
    assert [bar["written"] for bar in up["changes"][:4]] == ["A", "D", "E7", "A"]


def test_a_placing_of_the_players_is_kept_as_a_track_of_the_sheet(desk: Opened, lessons: Path) -> None:
    mixes = [
        {"name": "take turns", "turns": True, "melody": [0, "off"], "backup": ["off", 0]},
        {"name": "my own", "melody": -12, "backup": 0, "rhythm": "off", "click": -6},
    ]
    shown = desk.change("gateposts.toml", (["mix"], mixes))
    assert shown["problems"] == []
    own = shown["players"]["mixes"][1]
    assert {part: levels[0] for part, levels in own["levels"].items()} == {
        "melody": -12,
        "backup": 0,
        "rhythm": None,
        "click": -6,
    }
    again = desk.change("gateposts.toml", (["mix"], mixes[1:]))  # written anew, not added to
    assert [mix["name"] for mix in again["players"]["mixes"]] == ["my own"]
    assert check(lessons / "gateposts.toml")[0]["faults"] == []
    plain = desk.change("gateposts.toml", (["mix"], None))
    assert len(plain["players"]["mixes"]) == 4


def test_doubtful_chords_have_a_question_mark_on_the_staff_until_they_are_decided(lessons: Path) -> None:
    (lessons / "waltz.abc").write_text(WALTZ, "utf-8")
    (lessons / "bare-waltz.toml").write_text('tune = "waltz.abc"\n', "utf-8")
    desk = opened(lessons)
    shown = desk.sheet("bare-waltz.toml")
    doubtful = [bar["number"] for bar in shown["changes"] if bar["doubtful"]]
    assert doubtful
    assert all(bar["doubtful"] == (bar["sure"] < 0.6) for bar in shown["changes"])
    assert "?</" in shown["staff"]
    decided = desk.change("bare-waltz.toml", *((["changes", str(number)], "D") for number in doubtful))
    assert not any(bar["doubtful"] for bar in decided["changes"])
    assert "?</" not in decided["staff"]


def test_bars_that_are_left_out_keep_their_chords_on_the_desk(desk: Opened) -> None:
    name = desk.post("/sheets", {"abc": REEL}).json()["name"]
    whole = desk.change(name, (["changes", "7"], "Am"), (["changes", "8"], "D"))["changes"]
    kept = ("number", "chords", "written", "ink", "sure")
    assert all(bar["played"] for bar in whole)
    for left_out, played in (((["bars"], "3-4"), [3, 4]), ((["form"], "A"), [1, 2, 3, 4])):
        shown = desk.change(name, left_out)
        assert [[bar[key] for key in kept] for bar in shown["changes"]] == [[bar[key] for key in kept] for bar in whole]
        assert [bar["number"] for bar in shown["changes"] if bar["played"]] == played
        desk.change(name, (left_out[0], None))
    jig = desk.post("/sheets", {"abc": JIG}).json()["name"]
    part = desk.change(jig, (["progression"], "B: A | D"), (["form"], "B"))
    assert part["problems"] == []
    assert {bar["written"] for bar in part["changes"] if bar["section"] == "A"} == {""}  # not B's, and no other's


def test_what_was_left_out_of_a_tunes_text_or_assumed_is_told_beside_it(desk: Opened, lessons: Path) -> None:
    name = desk.post("/sheets", {"abc": "T:Half\nK:D\nhello there |||\n"}).json()["name"]
    shown = desk.sheet(name)
    assert shown["problems"] == []  # it can be played
    assert [(one["part"], one["line"], one["what"]) for one in shown["remarks"]] == [
        ("tune", None, "no M: line; counted as 4/4; bars of another length: 1 of 1"),
        ("tune", 3, "the letters h, l, o, t, r stand for no notes; left out"),
    ]
    (lessons / "in-place.toml").write_text('abc = """\nT:x\nM:4/4\nK:D\nhd4d4|d2|d8|]\n"""\n', "utf-8")
    shown = desk.sheet("in-place.toml")
    assert [problem["bar"] for problem in shown["problems"]] == [2]
    assert [(one["part"], one["line"], one["what"]) for one in shown["remarks"]] == [
        ("tune", 4, "the letter h stands for no notes; left out")
    ]  # the short bar is a problem, and told once
    assert all(desk.sheet(path.name)["remarks"] == [] for path in SHEETS)
    crowded = desk.change("gateposts.toml", (["progression"], "G C D G"))
    assert [one["part"] for one in crowded["remarks"]] == ["changes"]


def test_bowings_are_offered_by_what_they_suit(desk: Opened) -> None:
    """For the dance first, then for any, then from others; each group begins with the plainest, and no name stands twice."""
    name = desk.post("/sheets", {"abc": JIG}).json()["name"]
    assert desk.sheet(name)["head"]["dance"] == "jig"
    bowings = desk.get(f"/sheet/{name}/bowings").json()["bowings"]
    groups = [group for group, _ in groupby(one["suits"] for one in bowings)]
    assert groups == ["dance", "other"]  # all for any dance are in two or four
    assert bowings[0]["name"] == "jig-separate"
    assert all("jig" in one["name"] for one in bowings if one["suits"] == "dance")
    assert len({one["name"] for one in bowings}) == len(bowings)
    reel = desk.post("/sheets", {"abc": REEL}).json()["name"]
    found = desk.get(f"/sheet/{reel}/bowings").json()["bowings"]
    suited = {one["name"]: one["suits"] for one in found}
    assert (suited["saw"], suited["polka"]) == ("any", "other")
    assert next(one["name"] for one in found if one["suits"] == "any") == desk.sheet(reel)["bow"]["sections"][0]["name"]
