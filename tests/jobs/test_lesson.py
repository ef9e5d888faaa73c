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
from underbow.lesson.practice import audio as page_audio

from .sheets import write_sheet


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


def test_a_track_too_long_for_a_page_is_refused_before_anything_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheets = [write_sheet(tmp_path, name, name.title()) for name in ("one", "two")]
    monkeypatch.setattr(page_audio, "MOST_MINUTES", 0.1)
    result = run(*sheets, "-o", tmp_path / "l")
    assert result.exit_code == 2
    assert result.stderr.startswith("underbow: One: a track of 0 minutes is too long for a practice page")
    assert not (tmp_path / "l").exists()


def test_what_the_render_had_to_tell_is_told_with_the_lesson(tmp_path: Path) -> None:
    sheet = write_sheet(tmp_path, "one", "One")
    with sheet.open("a") as file:
        file.write("[[mix]]\nname = 'knock'\nclick = 0\n[sound]\nloudness = -9\n")
    for words in ((), ("--again",)):  # made, and taken over
        result = run(sheet, "-o", tmp_path / "l", *words)
        assert result.exit_code == 0, result.stderr
        assert result.stderr.count("knock: its peaks allow") == 1
    assert any("knock: its peaks allow" in line for line in listed(tmp_path / "l")["parts"][0]["told"])
