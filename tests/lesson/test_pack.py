"""A folder is there whole or not at all, and a zip is the same bytes every time."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

from underbow.errors import InputError
from underbow.files import digest, write_whole
from underbow.lesson.pack import MANIFEST, Kept, make_zip, sweep, whole_folder


def lesson(folder: Path, text: str = "one") -> None:
    with whole_folder(folder, again=True) as new:
        (new / "tracks").mkdir()
        sha256 = write_whole(new / "tracks" / "a.txt", text)
        part = {"stamp": text, "files": [{"path": "tracks/a.txt", "kind": "text", "sha256": sha256}]}
        write_whole(new / MANIFEST, json.dumps({"parts": [part]}))


def test_a_folder_appears_when_all_of_it_is_there(tmp_path: Path) -> None:
    with whole_folder(tmp_path / "lesson", again=False) as new:
        (new / "file").write_text("x")
        assert not (tmp_path / "lesson").exists()
    assert (tmp_path / "lesson" / "file").read_text() == "x"
    assert [path.name for path in tmp_path.iterdir()] == ["lesson"]


def fail_half_way(folder: Path) -> None:
    with whole_folder(folder, again=True) as new:
        (new / "half").write_text("x")
        raise RuntimeError


def test_a_failure_leaves_what_was_there(tmp_path: Path) -> None:
    lesson(tmp_path / "lesson")
    with pytest.raises(RuntimeError):
        fail_half_way(tmp_path / "lesson")
    assert [path.name for path in tmp_path.iterdir()] == ["lesson"]
    assert not (tmp_path / "lesson" / "half").exists()
    assert (tmp_path / "lesson" / "tracks" / "a.txt").read_text() == "one"


def test_a_folder_that_is_there_is_kept_unless_asked(tmp_path: Path) -> None:
    lesson(tmp_path / "lesson")
    with pytest.raises(InputError, match="add --again"), whole_folder(tmp_path / "lesson", again=False):
        pass
    foreign = tmp_path / "holiday"
    foreign.mkdir()
    (foreign / "photo.jpg").write_text("x")
    with pytest.raises(InputError, match="left alone"), whole_folder(foreign, again=True):
        pass
    (tmp_path / "note").write_text("x")
    with pytest.raises(InputError, match="left alone"), whole_folder(tmp_path / "note", again=True):
        pass
    assert (foreign / "photo.jpg").read_text() == "x"


def test_what_has_not_changed_is_taken_over_and_what_was_touched_is_not(tmp_path: Path) -> None:
    lesson(tmp_path / "lesson")
    new = tmp_path / "new"
    new.mkdir()
    assert Kept.read(tmp_path / "lesson").take_over("one", new) is not None
    assert (new / "tracks" / "a.txt").read_text() == "one"
    assert Kept.read(tmp_path / "lesson").take_over("another stamp", new) is None
    (tmp_path / "lesson" / "tracks" / "a.txt").unlink()
    (tmp_path / "lesson" / "tracks" / "a.txt").write_text("edited")
    other = tmp_path / "other"
    other.mkdir()
    assert Kept.read(tmp_path / "lesson").take_over("one", other) is None
    assert [path for path in other.rglob("*") if path.is_file()] == []


@pytest.mark.parametrize("path", ["../secret", "/etc/passwd", "tracks/../../secret", "..\\secret", "C:/secret"])
def test_a_manifest_changed_by_hand_reaches_nothing_outside(tmp_path: Path, path: str) -> None:
    (tmp_path / "secret").write_text("s")
    folder = tmp_path / "lesson"
    folder.mkdir()
    part = {"stamp": "x", "files": [{"path": path, "kind": "text", "sha256": digest(tmp_path / "secret")}]}
    (folder / MANIFEST).write_text(json.dumps({"parts": [part]}))
    (tmp_path / "new").mkdir()
    assert Kept.read(folder).take_over("x", tmp_path / "new") is None


FILES = ("3", "[3]", "[{}]", '[{"path": "a"}]', '[{"path": 3, "kind": "text"}]')


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{", '{"parts": 3}', '{"parts": [{}]}', '{"parts": [{"stamp": "x"}]}']
    + [f'{{"parts": [{{"stamp": "x", "files": {files}}}]}}' for files in FILES],
)
def test_a_broken_manifest_is_no_manifest(tmp_path: Path, text: str) -> None:
    (tmp_path / MANIFEST).write_text(text)
    assert Kept.read(tmp_path).parts == {}


def test_a_zip_is_the_same_bytes_and_holds_only_relative_names(tmp_path: Path) -> None:
    lesson(tmp_path / "lesson")
    first = make_zip(tmp_path / "lesson", tmp_path / "lesson.zip")
    os.utime(tmp_path / "lesson" / "tracks" / "a.txt", (0, 0))
    assert make_zip(tmp_path / "lesson", tmp_path / "lesson.zip") == first == digest(tmp_path / "lesson.zip")
    with zipfile.ZipFile(tmp_path / "lesson.zip") as packed:
        assert packed.namelist() == [f"lesson/{MANIFEST}", "lesson/tracks/a.txt"]
        assert packed.testzip() is None


@pytest.mark.skipif(os.name != "posix", reason="a kill that can't be caught is POSIX")
def test_a_killed_run_leaves_the_old_lesson(tmp_path: Path) -> None:
    lesson(tmp_path / "lesson")
    code = (
        "import sys, time; from pathlib import Path; from underbow.lesson.pack import whole_folder\n"
        "with whole_folder(Path(sys.argv[1]), again=True) as new:\n"
        "    (new / 'half').write_text('x'); print('there', flush=True); time.sleep(60)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path / "lesson")], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "there\n"
        child.send_signal(signal.SIGKILL)
    assert (tmp_path / "lesson" / "tracks" / "a.txt").read_text() == "one"
    assert not (tmp_path / "lesson" / "half").exists()
    left = next(tmp_path.glob(".underbow-*"))
    sweep(tmp_path)
    assert left.exists()  # another run may be at work in it
    os.utime(left, (time.time() - 100_000,) * 2)
    sweep(tmp_path)
    assert not left.exists()
