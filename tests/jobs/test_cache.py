"""Finished jobs are kept, checked before they are given, shared with nobody's second folder, and swept."""

from __future__ import annotations

import hashlib
import json
import os
import time
from pathlib import Path

import pytest

from underbow.files import caches
from underbow.files.caches import cache_folder
from underbow.jobs.cache import Cache
from underbow.jobs.run import Finished

STAMPS = [character * 64 for character in "abcdef"]


def finished(folder: Path, stamp: str, text: str = "sound") -> Finished:
    (folder / "files" / "tracks").mkdir(parents=True)
    (folder / "files" / "tracks" / "a.wav").write_text(text)
    listed = [{"path": "tracks/a.wav", "sha256": hashlib.sha256(text.encode()).hexdigest()}]
    (folder / "report.json").write_text(json.dumps({"stamp": stamp, "files": listed}))
    return Finished(folder)


def test_what_is_kept_is_given_back_and_nothing_else(tmp_path: Path) -> None:
    cache = Cache(tmp_path / "cache")
    assert cache.take(STAMPS[0], tmp_path / "none") is None
    cache.keep(finished(tmp_path / "job", STAMPS[0]), STAMPS[0])
    taken = cache.take(STAMPS[0], tmp_path / "taken")
    assert taken is not None
    assert (taken.files / "tracks" / "a.wav").read_text() == "sound"
    assert cache.take(STAMPS[1], tmp_path / "other") is None
    assert Cache(None).take(STAMPS[0], tmp_path / "off") is None


def test_no_two_folders_share_a_file_and_what_was_changed_is_found(tmp_path: Path) -> None:
    cache = Cache(tmp_path / "cache")
    cache.keep(finished(tmp_path / "first", STAMPS[0]), STAMPS[0])
    cache.take(STAMPS[0], tmp_path / "second")
    cache.take(STAMPS[0], tmp_path / "third")
    paths = [tmp_path / name / "files" / "tracks" / "a.wav" for name in ("first", "second", "third")]
    assert len({path.stat().st_ino for path in paths}) == 3
    with paths[0].open("a") as file:  # in place: the cache's own file changes with it
        file.write(" and noise")
    assert [path.read_text() for path in paths] == ["sound and noise", "sound", "sound"]
    assert cache.take(STAMPS[0], tmp_path / "fourth") is None
    assert not (tmp_path / "cache" / STAMPS[0]).exists()


@pytest.mark.parametrize("path", ["../../secret", "/etc/passwd", "C:/secret"])
def test_a_report_changed_by_hand_reaches_nothing_outside(tmp_path: Path, path: str) -> None:
    cache = Cache(tmp_path / "cache")
    cache.keep(finished(tmp_path / "job", STAMPS[0]), STAMPS[0])
    (tmp_path / "secret").write_text("s")
    listed = [{"path": path, "sha256": hashlib.sha256(b"s").hexdigest()}]
    (tmp_path / "cache" / STAMPS[0] / "report.json").write_text(json.dumps({"stamp": STAMPS[0], "files": listed}))
    assert cache.take(STAMPS[0], tmp_path / "taken") is None
    assert not (tmp_path / "taken").exists()


def test_it_is_swept_by_age_and_by_room_but_never_what_a_stopped_run_needs(tmp_path: Path) -> None:
    cache = Cache(tmp_path / "cache", cap=700)
    for age, stamp in enumerate(STAMPS):
        cache.keep(finished(tmp_path / stamp[:1], stamp, "x" * 100), stamp)
        when = time.time() - age * 86_400
        os.utime(tmp_path / "cache" / stamp, (when, when))

    def there() -> str:
        return "".join(sorted(entry.name[0] for entry in (tmp_path / "cache").iterdir() if len(entry.name) == 64))

    with pytest.raises(KeyError), cache.claim(STAMPS[3:]):
        raise KeyError  # a run that failed: its claim stays
    cache.sweep()
    assert there() == "abdef"[: len(there()) - 3] + "def"
    assert set("def") <= set(there()) != set("abcdef")
    with cache.claim([STAMPS[0]]):
        for claim in (tmp_path / "cache").glob("*.claim"):
            if STAMPS[3] in claim.read_text():
                os.utime(claim, (0, 0))  # nobody came back for it in a week
    assert set(there()) < set("abdef")
    assert "f" not in there()
    os.utime(tmp_path / "cache" / STAMPS[0], (0, 0))
    cache.sweep()
    assert "a" not in there()


def test_a_cache_that_can_not_be_written_is_done_without(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    cache = Cache(tmp_path / "file" / "cache")
    with cache.claim(STAMPS):
        cache.keep(finished(tmp_path / "job", STAMPS[0]), STAMPS[0])
        assert cache.take(STAMPS[0], tmp_path / "taken") is None


def test_without_links_files_are_copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(source: Path, target: Path) -> None:
        raise PermissionError

    monkeypatch.setattr(os, "link", refuse)
    cache = Cache(tmp_path / "cache")
    cache.keep(finished(tmp_path / "job", STAMPS[0]), STAMPS[0])
    assert cache.take(STAMPS[0], tmp_path / "taken") is not None


@pytest.mark.parametrize(
    ("system", "variable", "tail"),
    [
        ("linux", "XDG_CACHE_HOME", "underbow"),
        ("win32", "LOCALAPPDATA", "underbow/cache"),
        ("darwin", "HOME", "Library/Caches/underbow"),
    ],
)
def test_it_lies_where_the_system_keeps_caches(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, system: str, variable: str, tail: str
) -> None:
    """Sources: XDG Base Directory Specification 0.8; Microsoft, "Known folders"; Apple, "File System Programming Guide"."""
    monkeypatch.setattr(caches.sys, "platform", system)
    monkeypatch.setenv(variable, str(tmp_path))
    monkeypatch.setenv("UNDERBOW_CACHE", str(tmp_path / "own"))
    assert cache_folder("jobs") == tmp_path / "own" / "jobs"
    monkeypatch.delenv("UNDERBOW_CACHE")
    assert cache_folder("jobs") == tmp_path / tail / "jobs"

    def homeless() -> Path:
        raise RuntimeError

    monkeypatch.delenv(variable)
    monkeypatch.setattr(Path, "home", homeless)
    assert cache_folder("jobs") is None
    assert Cache.usual().folder is None


def test_a_run_that_went_on_gives_up_the_claim_of_the_one_that_stopped(tmp_path: Path) -> None:
    cache = Cache(tmp_path / "cache")
    with pytest.raises(KeyError), cache.claim(STAMPS[:3]):
        raise KeyError
    with pytest.raises(KeyError), cache.claim(STAMPS[2:]):
        raise KeyError
    with cache.claim(STAMPS[:3]):
        assert len(list((tmp_path / "cache").glob("*.claim"))) == 3
    assert [json.loads(claim.read_text()) for claim in (tmp_path / "cache").glob("*.claim")] == [STAMPS[2:]]
