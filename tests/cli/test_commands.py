"""The command contract: what goes to which stream, exit statuses, and the JSON documents."""

from __future__ import annotations

import json
import re
import wave
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from underbow.cli import app
from underbow.files.caches import cache_folder
from underbow.track.mixes import STANDARD_MIXES
from underbow.track.sheet.read import read_sheet

ROOT = Path(__file__).parents[2]
TRACKS = ROOT / "tracks"

SHORT = """
title = "Two bars"
abc = '''X:1
T:Two bars
M:4/4
L:1/4
K:G
|: "G"GABc | "D"d2 A2 :|
'''
pattern = "nashville-shuffle"
[tempo]
beat = "1/4"
start = 160
goal = 200
passes = 2
count_in = 1
"""


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)


def document(*words: str | Path) -> Any:
    result = run(*words)
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "two-bars.toml"
    path.write_text(SHORT)
    return path


def test_render_writes_audio_and_midi_for_every_mix_and_reports_them(sheet: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    report = document("render", sheet, "-o", out, "--voices", "builtin", "--json")
    assert report["title"] == "Two bars"
    assert report["voices"] == "builtin"
    assert [(one["number"], one["tempo"], one["beat"]) for one in report["passes"]] == [
        (1, 160, "1/4"),
        (2, 200, "1/4"),
    ]
    # one bar of four clicks at 160, then two bars twice (the repeat) at 160: times from the sheet by hand
    assert [one["start"] for one in report["passes"]] == pytest.approx([4 * 60 / 160, 20 * 60 / 160])
    assert [bar["chord"] for bar in report["bars"]] == ["G", "D"] * 4
    audio = [file for file in report["files"] if file["kind"] == "audio"]
    assert [file["mix"] for file in audio] == ["backup turn", "tune turn", "take turns", "together"]
    for file in audio:
        with wave.open(file["path"]) as sound:
            assert (sound.getnframes(), sound.getframerate()) == (file["frames"], file["rate"])
        assert file["seconds"] == pytest.approx(file["frames"] / file["rate"])
        assert len(file["sha256"]) == 64
        assert file["lufs"] == pytest.approx(-16, abs=0.2)
        assert file["dbtp"] <= -1.0
    assert sorted(file["mix"] for file in report["files"] if file["kind"] == "midi") == sorted(f["mix"] for f in audio)
    made = {path.name for path in out.iterdir()}
    assert made == {Path(file["path"]).name for file in report["files"]}


def test_the_same_sheet_gives_the_same_bytes(sheet: Path, tmp_path: Path) -> None:
    reports = [
        document("render", sheet, "-o", tmp_path / name, "--voices", "builtin", "--json") for name in ("one", "two")
    ]
    first, second = ([file["sha256"] for file in report["files"]] for report in reports)
    assert first == second


def test_a_mix_is_chosen_by_name(sheet: Path, tmp_path: Path) -> None:
    twice = ["--mix", "Take Turns", "--mix", " take turns"]
    report = document("render", sheet, "-o", tmp_path / "o", *twice, "--voices", "builtin", "--json")
    assert [file["mix"] for file in report["files"] if file["kind"] == "audio"] == ["take turns"]
    wrong = run("render", sheet, "-o", tmp_path / "o", "--mix", "take turn")
    assert wrong.exit_code == 2
    assert "did you mean 'take turns'?" in wrong.stderr


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--format", "wma"], "no such format: 'wma'"),
        (["--bits", "8"], "--bits must be 16, 24 or float"),
        (["--rate", "8000"], "rate 8000 is outside"),
        (["--voices", "sounfont"], "did you mean 'soundfont'?"),
        (["--soundfont", "no-such.sf2"], "no-such.sf2"),
    ],
)
def test_wrong_options_end_with_2_and_one_line_and_write_nothing(
    sheet: Path, tmp_path: Path, words: list[str], told: str
) -> None:
    out = tmp_path / "out"
    result = run("render", sheet, "-o", out, *words)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert len(result.stderr.splitlines()) == 1
    assert told in result.stderr
    assert not out.exists()


def test_a_bad_sheet_among_good_ones_stops_all(sheet: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text('title = "x"\ntune = "missing.abc"\npatern = "saw"\n')
    result = run("render", sheet, bad, "-o", tmp_path / "out")
    assert result.exit_code == 2
    assert "missing.abc" in result.stderr
    assert "did you mean 'pattern'?" in result.stderr
    assert not (tmp_path / "out").exists()


def test_an_output_folder_that_is_a_file_is_told(sheet: Path, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    result = run("render", sheet, "-o", tmp_path / "out", "--voices", "builtin")
    assert result.exit_code == 2
    assert len([line for line in result.stderr.splitlines() if "can't" in line]) == 1
    assert (tmp_path / "out").read_text() == "mine"
    result = run("listen", tmp_path / "no-take.wav", sheet, "-o", tmp_path / "out")  # before it listens
    assert (result.exit_code, result.stderr) == (2, f"underbow: {tmp_path / 'out'}: a file; name a folder\n")


def test_drill_composes_a_melody_and_renders_it(tmp_path: Path) -> None:
    report = document(
        "drill", "C", "G", "D", "A", "--start", "180", "--goal", "200", "--passes", "2", "--rounds", "1",
        "--voices", "builtin", "--mix", "together", "-o", tmp_path, "--json",
    )  # fmt: skip
    assert [bar["chord"] for bar in report["bars"]] == ["C", "G", "D", "A"] * 2


def test_a_render_tells_the_beat_in_words(tmp_path: Path) -> None:
    short = ["--start", "120", "--goal", "120", "--passes", "1", "--rounds", "1", "--voices", "builtin"]
    result = run("drill", "G", "--pattern", "jig-long-short", *short, "--mix", "together", "-o", tmp_path)
    assert result.stdout.startswith("Round G: 1 pass at 120 (dotted quarter notes a minute), builtin\n")


def test_without_a_cache_no_stroke_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("UNDERBOW_CACHE", str(tmp_path / "cache"))
    words = ("drill", "G", "--start", "180", "--goal", "200", "--passes", "2", "--rounds", "1", "--mix", "together")
    for number, more in enumerate((("--no-cache",), ("--afresh",), ())):
        assert run(*words, "--voices", "builtin", *more, "-o", tmp_path / str(number)).exit_code == 0
        assert (cache_folder("strokes")).exists() == (not more)
    sounds = {next((tmp_path / str(number)).glob("*.wav")).read_bytes() for number in range(3)}
    assert len(sounds) == 1


def test_drill_takes_a_pattern_file_wherever_it_lies(tmp_path: Path) -> None:
    pattern = tmp_path / "mine.toml"
    pattern.write_bytes((ROOT / "patterns/saw.toml").read_bytes())
    short = ["--start", "200", "--goal", "200", "--passes", "1", "--rounds", "1", "--voices", "builtin"]
    report = document("drill", "G", "--pattern", pattern, *short, "--mix", "together", "-o", tmp_path / "o", "--json")
    assert [file["kind"] for file in report["files"]] == ["audio", "midi", "labels", "cue"]


@pytest.mark.parametrize("name", ["two-bars.toml", "mine.toml"])
def test_check_reads_a_file_once_whatever_it_is(
    sheet: Path, tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "mine.toml").write_bytes((ROOT / "patterns/saw.toml").read_bytes())
    opened: list[Path] = []
    real = Path.open
    monkeypatch.setattr(Path, "open", lambda path, *how, **more: opened.append(path) or real(path, *how, **more))
    assert run("check", sheet.with_name(name)).stdout == f"{tmp_path / name}: fine\n"
    assert opened.count(tmp_path / name) == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["C", "G", "--seed", "-5"], "--seed: found -5, expected a whole number from 0 up, such as 3"),
        (["C", "--start", "0"], "--start: found 1/4 = 0, expected 20 to 400 quarter notes a minute"),
        (["C", "--goal", "1000000000"], "--goal: found 1/4 = 1000000000, expected 20 to 400 quarter notes a minute"),
        (
            ["C", "--start", "90", "--goal", "60"],
            "tempo: start 90 is above goal 60; a track goes from slow to fast, swap the two",
        ),
        (
            ["C", "G", "D", "A", "--passes", "200", "--start", "20", "--goal", "21"],
            "tempo: 200 passes would take 10.4 hours; the maximum is 3: write fewer passes or fewer bars",
        ),
        ([""], "an empty chord; write a chord for each bar, such as C G D A"),
        (["C", ""], "an empty chord; write a chord for each bar, such as C G D A"),
        (["C", "H"], "bar 2: not a chord: 'H'; the German H is B here: write B"),
    ],
)
def test_a_drill_tells_one_fault_once_and_nothing_that_follows_from_it(
    tmp_path: Path, words: list[str], told: str
) -> None:
    result = run("drill", *words, "-o", tmp_path / "out")
    assert (result.exit_code, result.stderr) == (2, f"underbow: {told}\n")
    assert not (tmp_path / "out").exists()


def test_patterns_lists_the_library_as_the_design_says() -> None:
    listed = document("patterns", "--json")
    assert len(listed) >= 20
    for entry in listed:
        assert {"name", "title", "meter", "cells", "bow", "accent", "strings", "strokes", "source"} <= entry.keys()
        for stroke in entry["strokes"]:
            assert {"start", "length", "bow", "level", "pulses"} <= stroke.keys()
            assert Fraction(stroke["length"]) > 0
    assert all(entry["name"] in run("patterns").stdout for entry in listed)


def test_a_pattern_is_drawn_with_bow_marks_and_the_count() -> None:
    drawn = run("patterns", "nashville-shuffle").stdout
    assert "⊓" in drawn
    assert re.search(r"1 +& +2 +& +3 +& +4 +&", drawn)
    assert max(map(len, drawn.splitlines())) <= 80


def test_shapes_gives_the_ones_players_state_first() -> None:
    # common practice, no source: what players say for the low strings
    chosen = {entry["chord"]: entry["choices"][0] for entry in document("shapes", "C", "G", "D", "A", "--json")}
    assert {chord: choice["fingers"] for chord, choice in chosen.items()} == {
        "C": [3, 1], "G": [0, 0], "D": [1, 0], "A": [1, 1],
    }  # fmt: skip
    assert (
        chosen["C"] | {"strings": ["G", "D"], "notes": ["C4", "E4"], "midi": [60, 64], "degrees": ["1", "3"]}
        == chosen["C"]
    )


def test_shapes_with_either_hand() -> None:
    steady, nearest = (
        [entry["choices"][0]["label"] for entry in document("shapes", "G", "C", "D", "--hand", hand, "--json")]
        for hand in ("steady", "nearest")
    )
    assert (steady, nearest) == (["0-0", "3-1", "1-0"], ["0-0", "3-3", "1-0"])
    assert document("shapes", "G", "D7", "G", "--json")[1]["choices"][0]["label"] == "3-2"  # never C and D together
    refused = run("shapes", "G", "--hand", "nearst")
    assert refused.exit_code == 2
    assert "hand must be steady or nearest, not \"nearst\" (did you mean 'nearest'?)" in refused.stderr


def test_shapes_refuses_what_is_no_chord() -> None:
    result = run("shapes", "H7", "G")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "H7" in result.stderr


def test_tune_tells_what_was_read() -> None:
    read = document("tune", TRACKS / "lamplight.abc", "--json")
    assert (read["title"], read["key"], read["meter"], read["pickup"]) == ("Lamplight on the Landing", "G", "C|", "1")
    assert read["notes"][0] == read["notes"][0] | {"start": "0", "length": "1/2", "midi": 62}
    assert read["chords"][0]["chord"] == "G"
    assert "Lamplight" in run("tune", TRACKS / "lamplight.abc").stdout


def test_chords_suggests_a_progression_for_a_bare_tune(tmp_path: Path) -> None:
    bare = tmp_path / "bare.abc"
    bare.write_text(re.sub(r'"[^"]*"', "", (TRACKS / "wet-socks.abc").read_text()))
    bars = document("chords", bare, "--json")["bars"]
    assert len(bars) >= 32
    assert bars[-1]["chords"][-1] == "D"
    run("chords", bare, "-o", tmp_path / "with.abc")
    written = (tmp_path / "with.abc").read_text()
    assert written.startswith("%abc-2.1\n")
    assert '"D"' in written
    assert re.sub(r'"[^"]*"', "", written) == bare.read_text()


def test_chords_say_where_a_progression_cannot_say_both_endings(tmp_path: Path) -> None:
    tune = tmp_path / "t.abc"
    head = "X:1\nM:4/4\nL:1/4\nK:G\n"
    told = "every ending, and leave progression out of the sheet."
    tune.write_text(head + "|: GBdB | GBdg |1 FAdA | DFAd :|2 G4 | G4 |]\n")
    assert told in run("chords", tune).stdout
    tune.write_text(head + "D |: GBdB | FAdA | G3 D :|\n")
    assert told not in run("chords", tune).stdout


def test_voices_tells_what_is_in_use() -> None:
    assert document("voices", "--json")["used"] in ("soundfont", "builtin")
    assert run("voices").stdout.startswith("In use:")


def test_new_makes_a_folder_that_renders(tmp_path: Path) -> None:
    folder = tmp_path / "lesson"
    assert run("new", folder).exit_code == 0
    assert run("check", *sorted(folder.iterdir())).exit_code == 0
    again = run("new", folder)
    assert again.exit_code == 2
    assert "isn't empty" in again.stderr


def test_the_mixes_written_out_in_the_new_sheet_are_the_ones_it_has_without_them(tmp_path: Path) -> None:
    assert run("new", tmp_path / "lesson").exit_code == 0
    sheet = tmp_path / "lesson/first-track.toml"
    text = sheet.read_text("utf-8")
    cut = text.index("# [[mix]]")
    assert read_sheet(sheet).mixes == STANDARD_MIXES
    sheet.write_text(text[:cut] + re.sub("(?m)^# ?", "", text[cut:]), "utf-8")
    assert read_sheet(sheet).mixes == STANDARD_MIXES


def test_check_tells_every_fault_of_every_file(tmp_path: Path) -> None:
    sheet, pattern, tune = tmp_path / "s.toml", tmp_path / "p.toml", tmp_path / "t.abc"
    sheet.write_text('tune = "none.abc"\npatern = "saw"\n[tempo]\nstart = "slow"\n')
    pattern.write_text('title = "P"\nmeter = "4/4"\ncells = 8\nbow = "d u"\naccent = "6 6"\n')
    tune.write_text("X:1\nT:T\nM:4/4\nL:1/4\nK:G\nGABc|GA|GABc|]\n")
    result = run("check", sheet, pattern, tune, TRACKS / "gateposts.toml", "--json")
    assert result.exit_code == 2
    found = {Path(entry["file"]).name: entry["faults"] for entry in json.loads(result.stdout)}
    assert len(found["s.toml"]) >= 2
    assert found["p.toml"]
    assert found["t.abc"]
    assert found["gateposts.toml"] == []


@pytest.mark.parametrize("name", sorted(path.name for path in TRACKS.glob("*.toml")))
def test_shipped_sheets_have_no_fault(name: str) -> None:
    assert run("check", TRACKS / name).exit_code == 0


def test_text_from_a_file_cannot_steer_the_terminal(tmp_path: Path) -> None:
    path = tmp_path / "evil.abc"
    path.write_text("X:1\nT:Red \x1b[31mherring\x07\nM:4/4\nL:1/4\nK:G\nGABc|]\n")
    shown = run("tune", path)
    assert "\x1b" not in shown.stdout + shown.stderr
    assert "\x07" not in shown.stdout + shown.stderr


def test_a_sheet_taken_for_a_pattern_and_the_other_way_round_are_told_in_one_line(sheet: Path) -> None:
    wrong = run("patterns", sheet)
    assert (wrong.exit_code, len(wrong.stderr.splitlines())) == (2, 1)
    assert "a track sheet, not a pattern" in wrong.stderr
    wrong = run("render", ROOT / "patterns" / "saw.toml")
    assert (wrong.exit_code, len(wrong.stderr.splitlines())) == (2, 1)
    assert "a pattern, not a track sheet" in wrong.stderr


def test_what_a_tune_made_necessary_to_assume_is_told_once(tmp_path: Path) -> None:
    tune = tmp_path / "t.abc"
    tune.write_text("X:1\nT:t\nM:4/4\nL:1/8\nK:G\nG8|A7|B8|]\n")
    result = run("tune", tune)
    assert (result.exit_code, result.stderr) == (0, "")
    assert " ".join(result.stdout.split()).count("bar 2 is too short: it holds 7/8, the meter is 4/4") == 1
    assert len(document("tune", tune, "--json")["told"]) == 1


def test_check_tells_what_will_be_taken_where_a_sheet_leaves_it_open(tmp_path: Path) -> None:
    (tmp_path / "t.abc").write_text('X:1\nT:t\nM:4/4\nL:1/4\nK:G\n"G"GABc|"Hm"dBdB|]\n')
    sheet = tmp_path / "s.toml"
    sheet.write_text('tune = "t.abc"\npattern = "saw"\n')
    result = run("check", sheet)
    assert result.exit_code == 0
    note = "t.abc:6:9: tune 1: not a chord: 'Hm'; the German H is B here: write Bm; read as words"
    assert result.stdout == f"{sheet}: fine\n  note: {note}\n"
    assert document("check", sheet, "--json") == [{"file": str(sheet), "faults": [], "notes": [note]}]
