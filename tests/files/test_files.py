"""Files whole or not at all, and names that every system takes.

Source of the reserved names: Microsoft, "Naming Files, Paths, and Namespaces" (Win32 documentation).
"""

from __future__ import annotations

import errno
import hashlib
import os
import unicodedata
from pathlib import Path
from threading import Thread

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underbow.errors import InputError, UnderbowError
from underbow.files.lock import take, wait_for
from underbow.files.names import apart, safe_name
from underbow.files.trouble import folder_for, output_error
from underbow.files.whole import whole_file, write_whole
from underbow.files.workplace import workplace


def test_a_file_is_written_whole_and_its_digest_given(tmp_path: Path) -> None:
    digest = write_whole(tmp_path / "a.json", "♩ = 60\n")
    assert (tmp_path / "a.json").read_bytes() == "♩ = 60\n".encode()
    assert digest == hashlib.sha256("♩ = 60\n".encode()).hexdigest()
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]


def test_the_final_name_is_given_to_the_finished_file_itself(tmp_path: Path) -> None:
    with whole_file(tmp_path / "a") as part:
        part.write_bytes(b"new")
        assert not (tmp_path / "a").exists()
        number = part.stat().st_ino
    assert (tmp_path / "a").stat().st_ino == number  # renamed, never copied


def test_a_new_file_has_the_rights_that_files_have_here(tmp_path: Path) -> None:
    (tmp_path / "plain").write_bytes(b"")
    write_whole(tmp_path / "a", b"")
    assert (tmp_path / "a").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_where_writing_fails_the_older_file_stays_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"old")

    def break_off() -> None:
        with whole_file(tmp_path / "a") as part:
            part.write_bytes(b"half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        break_off()
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("a", b"old")]


def test_a_name_of_the_greatest_length_can_be_written(tmp_path: Path) -> None:
    write_whole(tmp_path / ("x" * 255), b"")
    with pytest.raises(InputError, match="too long"):
        write_whole(tmp_path / ("x" * 256), b"")
    assert len(list(tmp_path.iterdir())) == 1


def test_a_folder_that_nothing_comes_of_goes_again_with_those_made_for_it(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    with pytest.raises(FileNotFoundError), folder_for(tmp_path / "there" / "a" / "b"):
        (tmp_path / "there" / "a" / "b" / "c").rmdir()
    assert [path.name for path in tmp_path.rglob("*")] == ["there"]
    with pytest.raises(UnderbowError), folder_for(tmp_path / "there"):  # empty, but not made by us
        raise UnderbowError
    with folder_for(tmp_path / "there" / "a" / "b"):
        (tmp_path / "there" / "a" / "kept").write_bytes(b"")
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["a", "kept", "there"]


def test_missing_folder_file_as_folder_and_folder_as_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(InputError, match=r"there is no folder .*no; make it first"):
        write_whole(tmp_path / "no" / "a", b"")
    with pytest.raises(InputError, match="is not a folder"):
        write_whole(tmp_path / "file" / "a", b"")
    with pytest.raises(InputError, match="a folder has this name"):
        write_whole(tmp_path, b"")


@pytest.mark.parametrize("code", [errno.EACCES, errno.EPERM, errno.EROFS])
def test_no_right_to_write_is_wrong_input(code: int) -> None:
    assert isinstance(output_error(OSError(code, "x"), Path("d/a")), InputError)


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO])
def test_trouble_with_the_disk_is_a_failure(code: int) -> None:
    error = output_error(OSError(code, "x"), Path("d/a"))
    assert isinstance(error, UnderbowError)
    assert not isinstance(error, InputError)
    assert "\n" not in str(error)
    assert "another folder" in str(error)


@pytest.mark.parametrize(
    ("title", "name"),
    [
        ("Morning on the ferry", "Morning on the ferry"),
        ("Reel no. 2", "Reel no. 2"),
        ("Slow/fast", "Slow-fast"),
        (r"a\b:c|d", "a-b-c-d"),
        ('Who "goes" <there>?*', "Who goes there"),
        ("two\nlines\tand\x00more", "two lines andmore"),
        ("..", "untitled"),
        ("", "untitled"),
        ("///", "untitled"),
        ("-o etc", "o etc"),
        (".hidden", "hidden"),
        ("ends in a dot. ", "ends in a dot"),
        ("CON", "_CON"),
        ("com1", "_com1"),
        ("LPT³", "_LPT³"),
        ("nul.mid", "_nul.mid"),
        ("console", "console"),
        ("A\u030angstro\u0308m", "\u00c5ngstr\u00f6m"),
        ("秋の舞曲", "秋の舞曲"),
        ("رقصة", "رقصة"),
        ("right\u202eto left", "rightto left"),
        ("half \ud800 a character", "half a character"),
        ("🎻 tune", "🎻 tune"),
    ],
)
def test_names_are_sensible_in_any_language(title: str, name: str) -> None:
    assert safe_name(title) == name


def test_long_names_are_cut_between_letters_not_inside_them() -> None:
    assert safe_name("é" * 100, longest=21) == "é" * 10
    # Three-byte base letters with a mark that has no composed form: never a letter without its mark.
    assert safe_name("क\u0901" * 10, longest=20) in ("क\u0901" * 3, "क\u0901" * 2)
    assert safe_name("q\u0323" * 10, longest=7) == "q\u0323" * 2


@given(st.text(max_size=300))
def test_any_title_gives_a_name_that_can_be_written(title: str) -> None:
    name = safe_name(title)
    assert 0 < len(name.encode()) <= 120
    assert not set(name) & set('/\\:*?"<>|') | {c for c in name if unicodedata.category(c) in ("Cc", "Cs")}
    assert name[0] not in " .-"
    assert name[-1] not in " ."
    assert safe_name(name) == name


@given(
    st.lists(st.sampled_from(["Reel", "REEL", "reel 2", "Reel 2 2", "Jig", "STRASSE", "straße", "jig 3"]), max_size=9)
)
def test_names_are_kept_apart_whatever_their_case(names: list[str]) -> None:
    out = apart(names)
    assert len({name.casefold() for name in out}) == len(names)
    assert all(new.startswith(old) for old, new in zip(names, out, strict=True))


def test_a_lock_that_is_waited_for_is_held_by_one_at_a_time_and_leaves_no_file(tmp_path: Path) -> None:
    path = tmp_path / "a.lock"
    inside, most = [0], [0]

    def work() -> None:
        for _ in range(50):
            lock = wait_for(path)
            inside[0] += 1
            most[0] = max(most[0], inside[0])
            assert take(path) is None
            inside[0] -= 1
            lock.release()

    workers = [Thread(target=work) for _ in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
    assert not any(worker.is_alive() for worker in workers)
    assert most == [1]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("which", ["a", ".lock"])
def test_a_deletion_that_fails_once_leaves_nothing_hidden(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, which: str
) -> None:
    unlink, failed = os.unlink, []

    def fail_once(path: str, *, dir_fd: int | None = None) -> None:
        if str(path).endswith(which) and not failed:
            failed.append(path)
            raise OSError(errno.EACCES, "Permission denied")
        unlink(path, dir_fd=dir_fd)

    with workplace(tmp_path) as place:
        (place.folder / "a").touch()
        (place.folder / "b").touch()
        monkeypatch.setattr(os, "unlink", fail_once)
    assert failed
    assert list(tmp_path.iterdir()) == []
