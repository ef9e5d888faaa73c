"""The whole hand-out of short sheets: what is in it, that it is made again only where it changed, and that it stays inside."""

from __future__ import annotations

import hashlib
import json
import zipfile
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from underbow.cli import app
from underbow.errors import InputError
from underbow.lesson import lesson
from underbow.lesson.options import LessonOptions
from underbow.lesson.practice import audio as page_audio
from underbow.sound import choose
from underbow.sound.choose import VoicesInUse, voices_in_use
from underbow.sound.soundfont.banks import Bank
from underbow.track.sheet.read import read_sheet

TUNE = 'X:1\nT:{title}\nC:{title}\nM:4/4\nL:1/4\nK:G\n|: "G"GABc | "D"d2 A2 :|\n'


def write_sheet(folder: Path, name: str, title: str, goal: int = 200) -> Path:
    path = folder / f"{name}.toml"
    (folder / f"{name}.abc").write_text(TUNE.format(title=title))
    path.write_text(
        f"title = {json.dumps(title, ensure_ascii=False)}\ntune = '{name}.abc'\npattern = 'saw'\n"
        f"[tempo]\nstart = 180\ngoal = {goal}\npasses = 2\ncount_in = 1\n"
        "[[mix]]\nname = 'tune'\nmelody = 0\n[[mix]]\nname = 'both'\nmelody = [0, -12]\nbackup = 0\n"
    )
    return path


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, ["lesson", *map(str, words), "--voices", "builtin"], catch_exceptions=False)


def listed(folder: Path) -> dict[str, Any]:
    """The manifest, after a look that it tells the truth: every file with its digest, and no other."""
    manifest: dict[str, Any] = json.loads((folder / "manifest.json").read_text())
    there = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()} - {"manifest.json"}
    assert {file["path"] for file in manifest["files"]} == there
    for file in manifest["files"]:
        assert hashlib.sha256((folder / file["path"]).read_bytes()).hexdigest() == file["sha256"]
    return manifest


def test_a_lesson_holds_everything_and_its_zip_the_same(tmp_path: Path) -> None:
    result = run(write_sheet(tmp_path, "one", "One"), "-o", tmp_path / "l", "--each-tempo", "--json")
    assert result.exit_code == 0, result.stderr
    assert json.loads(result.stdout)["zip"] == str(tmp_path / "l.zip")
    manifest = listed(tmp_path / "l")
    names = [file["path"] for file in manifest["files"]]
    for name in ("README.txt", "One.html", "One.pdf", "One.txt", "tracks/One - both.mp3", "tracks/One - both.mid"):
        assert name in names
    assert [name for name in names if name.startswith("by tempo/")] == [
        f"by tempo/One {number} - {mix}.mp3" for number in ("01 at 180", "02 at 200") for mix in ("both", "tune")
    ]
    part = manifest["parts"][0]
    assert [one["tempo"] for one in part["passes"]] == [180, 200]
    assert {bar["chord"] for bar in part["bars"]} == {"G", "D"}
    with zipfile.ZipFile(tmp_path / "l.zip") as packed:
        assert {name.removeprefix("l/") for name in packed.namelist()} == {*names, "manifest.json"}
        assert all(packed.read(f"l/{name}") == (tmp_path / "l" / name).read_bytes() for name in names)


def test_made_again_only_what_changed_is_redone(tmp_path: Path) -> None:
    sheets = [write_sheet(tmp_path, "one", "One"), write_sheet(tmp_path, "two", "Two")]
    folder = tmp_path / "l"
    assert run(*sheets, "-o", folder, "--title", "Both").exit_code == 0
    before = {path.name: path.stat().st_mtime_ns for path in folder.rglob("*.mp3")}
    refused = run(*sheets, "-o", folder)
    assert refused.exit_code == 2
    assert "--again" in refused.stderr
    write_sheet(tmp_path, "two", "Two", goal=190)
    assert run(*sheets, "-o", folder, "--title", "Both", "--again").exit_code == 0
    after = {path.name: path.stat().st_mtime_ns for path in folder.rglob("*.mp3")}
    assert after.keys() == before.keys()
    assert {name for name in after if after[name] == before[name]} == {name for name in after if name.startswith("One")}
    manifest = listed(folder)
    assert [part["place"] for part in manifest["parts"]] == ["01 One", "02 Two"]
    assert [[p["tempo"] for p in part["passes"]] for part in manifest["parts"]] == [[180, 200], [180, 190]]
    contents = (folder / "index.html").read_text()
    assert '<a href="01%20One/One.html">Practice page</a>' in contents
    assert '<a href="01%20One/One.pdf">Sheet to print (PDF)</a>' in contents
    tracks = "01%20One/tracks/One%20-%20tune"
    assert f'<li>tune: <a href="{tracks}.mp3">MP3</a> <a href="{tracks}.mid">MIDI</a></li><li>both: ' in contents


@pytest.mark.parametrize(
    "title",
    [
        "<script>alert(1)</script> & \"quotes\" 'single'",
        "../../../tmp/evil",
        "C:\\evil|name?*",
        "שלום \u202eevil\u202c 🎻",
        "nul",
    ],
)
def test_hostile_titles_come_out_as_text_and_stay_inside(tmp_path: Path, title: str) -> None:
    home = tmp_path / "deep" / "home"
    home.mkdir(parents=True)
    sheets = [write_sheet(home, "one", title), write_sheet(home, "two", title)]
    before = set(tmp_path.rglob("*"))
    assert run(*sheets, "-o", home / "l").exit_code == 0
    made = set(tmp_path.rglob("*")) - before
    assert {path.relative_to(home).parts[0] for path in made} == {"l", "l.zip"}
    listed(home / "l")
    contents = (home / "l" / "index.html").read_text()
    assert "<script>" not in contents
    with zipfile.ZipFile(home / "l.zip") as packed:
        for name in packed.namelist():
            assert ".." not in Path(name).parts
            assert not name.startswith(("/", "\\"))
            assert not any(c in name for c in ':*?"<>|\\')


def test_a_wrong_sheet_or_option_writes_nothing(tmp_path: Path) -> None:
    good = write_sheet(tmp_path, "one", "One")
    bad = tmp_path / "bad.toml"
    bad.write_text("tune = 'none.abc'\n")
    for words in ([good, bad], [good, "--paper", "a3"], [good, "--format", "wma"]):
        result = run(*words, "-o", tmp_path / "l")
        assert result.exit_code == 2
        assert len(result.stderr.splitlines()) == 1
        assert not (tmp_path / "l").exists()
    assert not list(tmp_path.glob(".underbow*"))


def test_the_machine_is_searched_for_soundfonts_once_a_lesson(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sheets = [read_sheet(write_sheet(tmp_path, name, name)) for name in ("one", "two", "three")]
    searched: list[Path | None] = []
    monkeypatch.setattr(choose, "voices_in_use", lambda named: searched.append(named) or voices_in_use(named))
    nothing = {"files": [], "title": "", "passes": [], "bars": [], "voices": "builtin"}
    monkeypatch.setattr(lesson, "_make_part", lambda sheet, root, place, options, steps: {"place": place, **nothing})
    made = lesson.make_lesson(sheets, tmp_path / "l")
    assert searched == [None]
    assert len({part["stamp"] for part in made.manifest["parts"]}) == 3


def test_a_lesson_is_made_anew_where_a_soundfont_can_be_played_that_could_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bank that lay there all the time sounds from the day on which FluidSynth is installed."""
    bank = tmp_path / "bank.sf2"
    bank.write_bytes(b"bank")
    found = Bank(bank, "bank", "", "", frozenset())
    stamps = []
    for used in ("builtin", "soundfont", "soundfont"):
        in_use = VoicesInUse(used, "", "", (found,), ())
        monkeypatch.setattr(choose, "voices_in_use", lambda _, told=in_use: told)
        stamps.append(lesson._bank(LessonOptions()))
    assert stamps[0] != stamps[1] == stamps[2]


def test_a_track_too_long_for_a_page_is_refused_before_anything_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheets = [read_sheet(write_sheet(tmp_path, name, name.title())) for name in ("one", "two")]
    monkeypatch.setattr(page_audio, "MOST_MINUTES", 0.1)
    monkeypatch.setattr(lesson, "render_files", lambda *_, **__: pytest.fail("it was rendered"))
    with pytest.raises(InputError, match=r"^One: a track of 0 minutes is too long for a practice page"):
        lesson.make_lesson(sheets, tmp_path / "l")
    assert not (tmp_path / "l").exists()


def test_where_the_zip_can_not_be_written_the_old_lesson_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sheet = write_sheet(tmp_path, "one", "One")
    assert run(sheet, "-o", tmp_path / "l").exit_code == 0
    before = {path: path.stat().st_mtime_ns for path in (tmp_path / "l").rglob("*")}
    (tmp_path / "l.zip").unlink()
    (tmp_path / "l.zip").mkdir()
    write_sheet(tmp_path, "one", "One", goal=190)
    nothing = {"files": [], "title": "", "passes": [], "bars": [], "voices": "builtin", "place": ""}
    monkeypatch.setattr(lesson, "_make_part", lambda *_: dict(nothing))
    failed = run(sheet, "-o", tmp_path / "l", "--again")
    assert failed.exit_code == 2
    assert "a folder has this name" in failed.stderr
    assert {path: path.stat().st_mtime_ns for path in (tmp_path / "l").rglob("*")} == before


def test_what_the_render_had_to_tell_is_told_with_the_lesson(tmp_path: Path) -> None:
    sheet = write_sheet(tmp_path, "one", "One")
    with sheet.open("a") as file:
        file.write("[[mix]]\nname = 'knock'\nclick = 0\n[sound]\nloudness = -9\n")
    for words in ((), ("--again",)):  # made, and taken over
        result = run(sheet, "-o", tmp_path / "l", *words)
        assert result.exit_code == 0, result.stderr
        assert result.stderr.count("knock: its peaks allow") == 1
    assert any("knock: its peaks allow" in line for line in listed(tmp_path / "l")["parts"][0]["told"])
