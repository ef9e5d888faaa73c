"""A zip is the same bytes every time."""

from __future__ import annotations

import os
import zipfile
from pathlib import Path

from underbow.files.whole import digest
from underbow.lesson.pack import make_zip

from ..files.lessons import write_lesson


def test_a_zip_is_the_same_bytes_and_holds_only_relative_names(tmp_path: Path) -> None:
    folder = write_lesson(tmp_path / "l", {"tracks/a.txt": "one", "b.mp3": "two"})
    make_zip(folder, tmp_path / "l.zip")
    first = digest(tmp_path / "l.zip")
    os.utime(folder / "tracks" / "a.txt", (0, 0))
    make_zip(folder, tmp_path / "l.zip")
    assert digest(tmp_path / "l.zip") == first
    with zipfile.ZipFile(tmp_path / "l.zip") as packed:
        assert packed.namelist() == ["l/b.mp3", "l/manifest.json", "l/tracks/a.txt"]
        assert packed.testzip() is None
