"""We know our own folders and zips again, and everything else is somebody's own."""

from __future__ import annotations

import os
import zipfile
from pathlib import Path

import pytest

from underbow.errors import InputError
from underbow.files.ours import inspect_folder, inspect_zip, read_manifest, zip_state
from underbow.lesson.pack import make_zip

from .lessons import write_lesson


def test_our_zip_is_known_again_and_so_is_every_change_of_it(tmp_path: Path) -> None:
    path = tmp_path / "l.zip"
    make_zip(write_lesson(tmp_path / "l", {"a.txt": "one"}), path)
    assert zip_state(path) == "ours"
    with zipfile.ZipFile(path, "a") as packed:
        packed.writestr("l/mine.txt", "mine")
    assert zip_state(path) == "changed"
    make_zip(tmp_path / "l", path)
    with zipfile.ZipFile(path, "a") as packed:
        packed.comment = b""  # as programs do that write a zip anew
    assert zip_state(path) == "changed"


@pytest.mark.parametrize("content", [b"", b"mine", b"PK\x05\x06" + bytes(18)])
def test_what_is_no_zip_of_ours_is_somebody_s_own(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "l.zip"
    path.write_bytes(content)
    assert zip_state(path) == "theirs"
    with pytest.raises(InputError, match=r"l\.zip isn't the zip of a lesson; left untouched"):
        inspect_zip(path)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{",
        '{"name": "an app", "icons": []}',
        '{"files": 3, "made_with": "underbow 1"}',
        '{"files": [{"path": "a"}], "made_with": "underbow 1"}',
        '{"files": [], "made_with": "another"}',
        '{"files": [{"path": 1, "sha256": "x"}], "made_with": "underbow 1"}',
        "[" * 100_000,
    ],
)
def test_a_manifest_that_is_not_ours_is_no_mark(tmp_path: Path, text: str) -> None:
    (tmp_path / "manifest.json").write_text(text)
    assert read_manifest(tmp_path) is None
    with pytest.raises(InputError, match="isn't a lesson folder; left untouched"):
        inspect_folder(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes with names are POSIX")
def test_a_pipe_called_as_our_manifest_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "manifest.json")
    assert read_manifest(tmp_path) is None


def test_a_folder_and_a_link_to_nowhere_are_told_apart(tmp_path: Path) -> None:
    assert inspect_folder(tmp_path / "none") is False
    (tmp_path / "empty").mkdir()
    assert inspect_folder(tmp_path / "empty") is True
    (tmp_path / "link").symlink_to(tmp_path / "none")
    with pytest.raises(InputError, match="left untouched"):
        inspect_folder(tmp_path / "link")
