"""The whole hand-out of short sheets: what is in it, that it is made again only where it changed, and that it stays inside."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import threading
import zipfile
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from underbow.cli import app
from underbow.errors import UnderbowError
from underbow.files.whole import whole_file
from underbow.jobs import lesson as lesson_module
from underbow.jobs.cache import Cache
from underbow.jobs.gather import Gathered, gather
from underbow.jobs.lesson import make_lesson
from underbow.jobs.progress import Progress
from underbow.jobs.run import StoppedError
from underbow.jobs.work import Way
from underbow.lesson.options import LessonOptions
from underbow.lesson.practice import audio as page_audio
from underbow.sound.options import RenderOptions

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
    result = run(write_sheet(tmp_path, "one", "One"), "-o", tmp_path / "l", "--each-tempo", "--mix", "all", "--json")
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
    assert run(*sheets, "-o", folder, "--title", "Both", "--mix", "all").exit_code == 0
    before = {path.name: path.stat().st_mtime_ns for path in folder.rglob("*.mp3")}
    refused = run(*sheets, "-o", folder)
    assert refused.exit_code == 2
    assert "--again" in refused.stderr
    write_sheet(tmp_path, "two", "Two", goal=190)
    assert run(*sheets, "-o", folder, "--title", "Both", "--again", "--mix", "all").exit_code == 0
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


def test_the_page_of_contents_says_key_meter_and_tuning_as_print_and_page_do(tmp_path: Path) -> None:
    sheets = [write_sheet(tmp_path, "one", "One"), write_sheet(tmp_path, "two", "Two")]
    sheets[1].write_text(f"key = 'A'\ntuning = 'AEAE'\n{sheets[1].read_text()}")
    assert run(*sheets, "-o", tmp_path / "l").exit_code == 0
    contents = (tmp_path / "l" / "index.html").read_text()
    for home, facts in (("01 One/One", "G major, 4/4"), ("02 Two/Two", "A major, 4/4, tune to A E A E")):
        assert f"<p>{facts}</p>" in contents
        assert facts in (tmp_path / "l" / f"{home}.txt").read_text("utf-8")


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
        result = run(sheet, "-o", tmp_path / "l", "--mix", "knock", *words)
        assert result.exit_code == 0, result.stderr
        assert result.stderr.count("knock: its peaks allow") == 1
    assert any("knock: its peaks allow" in line for line in listed(tmp_path / "l")["parts"][0]["told"])


def test_nothing_of_anybody_s_is_replaced_not_even_by_again(tmp_path: Path) -> None:
    sheet = write_sheet(tmp_path, "one", "One")
    (tmp_path / "l.zip").write_text("mine")
    for words in ((), ("--again",)):
        refused = run(sheet, "-o", tmp_path / "l", *words)
        assert refused.exit_code == 2
        assert "l.zip isn't the zip of a lesson; left untouched" in refused.stderr
        assert (tmp_path / "l.zip").read_text() == "mine"
    (tmp_path / "holiday").mkdir()
    (tmp_path / "holiday" / "manifest.json").write_text('{"name": "an app"}')
    refused = run(sheet, "-o", tmp_path / "holiday", "--again")
    assert refused.exit_code == 2
    assert "holiday isn't a lesson folder; left untouched" in refused.stderr
    assert {path.name for path in tmp_path.iterdir()} == {"one.toml", "one.abc", "l.zip", "holiday"}


def jobs(tmp_path: Path, *names: str) -> Gathered:
    options = LessonOptions(RenderOptions(formats=("mp3",), voices="builtin"))
    return gather([write_sheet(tmp_path, name, name.title()) for name in names], options)


def test_what_appears_while_a_lesson_is_made_is_left_alone_and_nothing_is_lost(tmp_path: Path) -> None:
    made = jobs(tmp_path, "one")
    target = tmp_path / "l"
    steps: list[float] = []

    def intrude(state: Progress) -> None:
        steps.append(state.share)
        target.mkdir(exist_ok=True)
        (target / "photo.jpg").write_text("x")

    with pytest.raises(UnderbowError, match=r"isn't a lesson folder; left untouched.*; what was made is kept"):
        make_lesson(made, target, Way(progress=intrude))
    assert [path.name for path in target.iterdir()] == ["photo.jpg"]
    assert not (tmp_path / "l.zip").exists()
    assert not list(tmp_path.glob(".underbow*"))
    count = len(steps)
    make_lesson(made, tmp_path / "elsewhere", Way(progress=lambda state: steps.append(state.share)))
    assert len(steps) == count + 1  # from the cache
    (target / "photo.jpg").unlink()
    target.rmdir()

    def make_the_same(state: Progress) -> None:
        if not target.exists():
            (target / "tracks").mkdir(parents=True)
            (target / "manifest.json").write_text('{"made_with": "underbow 0", "files": []}')

    with pytest.raises(UnderbowError, match="l appeared while the lesson was made; left untouched"):
        make_lesson(made, target, Way(Cache(None), progress=make_the_same))


def test_of_two_at_once_one_says_so_and_nothing_is_mixed(tmp_path: Path) -> None:
    first, second = jobs(tmp_path, "one"), jobs(tmp_path, "two")
    refused: list[str] = []

    def begin_another(state: Progress) -> None:
        if not refused:
            with pytest.raises(UnderbowError) as told:
                make_lesson(second, tmp_path / "l")
            refused.append(str(told.value))

    make_lesson(first, tmp_path / "l", Way(progress=begin_another))
    assert refused == [f"another run is making {tmp_path / 'l'}; try again when it has finished"]
    assert listed(tmp_path / "l")["title"] == "One"


def test_the_folder_that_a_link_leads_to_is_replaced_not_the_link(tmp_path: Path) -> None:
    sheet = write_sheet(tmp_path, "one", "One")
    (tmp_path / "disk").mkdir()
    assert run(sheet, "-o", tmp_path / "disk" / "real").exit_code == 0
    (tmp_path / "l").symlink_to(tmp_path / "disk" / "real")
    write_sheet(tmp_path, "one", "One", goal=190)
    result = run(sheet, "-o", tmp_path / "l", "--again")
    assert result.exit_code == 0
    assert str(tmp_path / "disk" / "real.zip") in result.stdout
    assert (tmp_path / "l").is_symlink()
    assert [p["tempo"] for p in listed(tmp_path / "l")["parts"][0]["passes"]] == [180, 190]
    assert {path.name for path in (tmp_path / "disk").iterdir()} == {"real", "real.zip"}


def test_stopped_it_changes_nothing_and_goes_on_where_it_was(tmp_path: Path) -> None:
    both = jobs(tmp_path, "one", "two")
    stop = threading.Event()

    def tell(state: Progress) -> None:
        if state.finished == 1:
            stop.set()

    with pytest.raises(StoppedError):
        make_lesson(both, tmp_path / "l", Way(progress=tell, stop=stop))
    assert {path.name for path in tmp_path.iterdir()} == {"one.toml", "one.abc", "two.toml", "two.abc"}
    told: list[Progress] = []
    make_lesson(both, tmp_path / "l", Way(progress=told.append))
    assert told[0].finished == 1  # the first was there
    assert len(listed(tmp_path / "l")["parts"]) == 2


def test_a_full_disk_is_told_by_the_name_that_the_user_knows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = jobs(tmp_path, "one")

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UnderbowError) as told:
        make_lesson(made, tmp_path / "l", Way(Cache(None)))
    assert str(told.value).startswith(f"can't write {tmp_path / 'l'}")
    assert ".underbow" not in str(told.value)
    assert "the disk is full" in str(told.value)
    monkeypatch.undo()
    assert {path.name for path in tmp_path.iterdir()} == {"one.toml", "one.abc"}


def test_what_a_killed_run_left_is_cleared_by_the_next_but_nothing_of_a_live_one(tmp_path: Path) -> None:
    sheet, out = write_sheet(tmp_path, "one", "One"), tmp_path / "out"
    out.mkdir()
    (out / ".underbow-0123456789ab.part").write_text("half")
    (out / ".underbow-0123456789ac.work" / "00000").mkdir(parents=True)
    (out / ".underbow-0123456789ac.lock").touch()
    with whole_file(out / "alive") as alive:
        result = CliRunner().invoke(app, ["render", str(sheet), "-o", str(out), "--voices", "builtin"])
        assert result.exit_code == 0, result.stderr
        assert [path.name for path in out.iterdir() if path.name.startswith(".")] == [alive.name]
        alive.write_text("whole")
    assert (out / "alive").read_text() == "whole"


def test_zips_are_made_of_all_of_each_or_none_and_an_old_one_goes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    both = jobs(tmp_path, "one", "two")
    target = tmp_path / "l"
    made = make_lesson(both, target)
    assert made.zip == tmp_path / "l.zip"
    assert make_lesson(both, target, again=True, zips="each").zip is None
    assert not (tmp_path / "l.zip").exists()
    with zipfile.ZipFile(target / "02 Two.zip") as packed:
        assert "02 Two/Two.html" in packed.namelist()
        readme = packed.read("02 Two/README.txt").decode()
        assert "  Two.html " in readme
        assert "One" not in readme
    assert {file["path"] for file in listed(target)["files"] if file["kind"] == "zip"} == {"01 One.zip", "02 Two.zip"}
    make_lesson(both, target, again=True, zips="none")
    assert not list(tmp_path.rglob("*.zip"))
    monkeypatch.setattr(lesson_module, "_SENT", 1000)
    assert make_lesson(both, target, again=True).zip is None
    assert len(list(target.glob("*.zip"))) == 2
    assert not list(tmp_path.glob(".underbow*"))
