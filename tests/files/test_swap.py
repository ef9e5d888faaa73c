"""The new takes the place of the old as a whole: however often it is killed, and wherever the disk fails."""

from __future__ import annotations

import errno
import os
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from underbow.errors import UnderbowError
from underbow.files.ours import zip_state
from underbow.files.swap import Exchange, put_in_place, put_right
from underbow.files.workplace import Workplace, hidden, workplace
from underbow.lesson.pack import make_zip

from .lessons import contents, write_lesson

OLD = {"a.txt": "old a", "tracks/b.txt": "old b", "gone.txt": "old c"}
NEW = {"a.txt": "new a", "tracks/b.txt": "new b", "more/d.txt": "new d"}
PAIR = (Exchange("new", "les", "folder"), Exchange("zip", "les.zip", "zip"))
KEY = "0123456789ab"


def prepare(place: Workplace) -> None:
    write_lesson(place.folder / "new", NEW)
    make_zip(place.folder / "new", place.folder / "zip", "les")


def put_new(parent: Path) -> None:
    with workplace(parent, KEY) as place:
        prepare(place)
        put_in_place(place, PAIR)


@contextmanager
def counted(
    monkeypatch: pytest.MonkeyPatch, number: int, fail: Callable[[], object] = lambda: None
) -> Iterator[list[int]]:
    """Let the number-th change of the file system fail; tell how many there were."""
    count = [0]

    def watched(do: Any) -> Any:
        def step(*args: Any, **more: Any) -> Any:
            count[0] += 1
            if count[0] == number:
                fail()
            return do(*args, **more)

        return step

    with monkeypatch.context() as patched:
        for name in ("rename", "link", "unlink", "replace", "fsync", "rmdir", "mkdir"):
            patched.setattr(os, name, watched(getattr(os, name)))
        yield count


def killed(monkeypatch: pytest.MonkeyPatch, number: int, work: Callable[[], object]) -> None:
    """Do something in a process that dies at the number-th change of the file system."""
    with warnings.catch_warnings():
        warnings.simplefilter(
            "ignore", DeprecationWarning
        )  # a fork beside numpy's threads, none of which the child needs
        child = os.fork()
    if child == 0:
        try:
            with counted(monkeypatch, number, lambda: os._exit(9)):
                work()
        finally:
            os._exit(0)
    os.waitpid(child, 0)


def fill(parent: Path) -> None:
    write_lesson(parent / "les", OLD)
    make_zip(parent / "les", parent / "les.zip")
    (parent / "les" / "mine.txt").write_text("mine")
    (parent / "les" / "a.txt").write_text("mine too")


def check(parent: Path, *, new: bool | None) -> bool:
    """The old or the new, whole, with its own zip; nothing of the user's lost; give whether it is the new."""
    found = contents(parent / "les")
    is_new = found.get("more/d.txt") == "new d"
    assert new in (None, is_new)
    if is_new:
        assert found == NEW | {"mine.txt": "mine", "a (changed by you).txt": "mine too"}
    else:
        assert found == OLD | {"mine.txt": "mine", "a.txt": "mine too"}
    assert zip_state(parent / "les.zip") == "ours"
    make_zip(write_lesson(parent / "x" / "les", NEW if is_new else OLD), parent / "x" / "les.zip")
    assert (parent / "les.zip").read_bytes() == (parent / "x" / "les.zip").read_bytes()
    return is_new


def count_steps(parent: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    fill(parent)
    with counted(monkeypatch, -1) as count:
        put_new(parent)
    return count[0]


def test_the_new_takes_the_place_of_the_old_and_what_is_not_ours_moves_over(tmp_path: Path) -> None:
    fill(tmp_path)
    with workplace(tmp_path, KEY) as place:
        prepare(place)
        assert put_in_place(place, PAIR) == ("a (changed by you).txt", "mine.txt")
    check(tmp_path, new=True)
    assert not list(tmp_path.glob(".underbow*"))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="a kill that can't be caught is POSIX")
def test_killed_at_any_step_the_next_run_finds_the_old_or_the_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = set()
    (tmp_path / "first").mkdir()
    for number in range(1, count_steps(tmp_path / "first", monkeypatch) + 1):
        parent = tmp_path / str(number)
        parent.mkdir()
        fill(parent)
        killed(monkeypatch, number, partial(put_new, parent))
        killed(monkeypatch, number % 9 + 1, partial(put_right, parent))  # the next run is killed as well
        put_right(parent)
        seen.add(check(parent, new=None))
        assert not list(parent.glob(".underbow*")), number
    assert seen == {True, False}


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO, errno.EACCES])
def test_where_the_disk_fails_at_any_step_the_old_stays_or_the_new_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    def fail() -> None:
        raise OSError(code, os.strerror(code))

    told = set()
    for number in range(1, 40):
        parent = tmp_path / str(number)
        parent.mkdir()
        fill(parent)
        message = ""
        with workplace(parent, KEY) as place:
            prepare(place)
            with counted(monkeypatch, number, fail):
                try:
                    put_in_place(place, PAIR)
                except UnderbowError as error:
                    message = str(error)
        assert "\n" not in message
        assert ".underbow" not in message
        if not message or "is finished" in message:  # what can be spared failed; or it is said that the new is there
            put_right(parent)
            check(parent, new=True)
        else:
            check(parent, new=False)
            put_right(parent)
            check(parent, new=False)
        assert not list(parent.glob(".underbow*")), (number, message)
        told.add(message.partition("(")[0][-20:])
    assert len(told) >= 3  # not at all, undone, finished but not cleared away


def test_where_not_even_undoing_is_possible_the_next_run_ends_what_was_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    states = set()
    original = os.rename
    for number in range(1, 6):
        parent = tmp_path / str(number)
        parent.mkdir()
        fill(parent)
        count = [0]

        def refuse(source: Path, target: Path, count: list[int] = count, number: int = number) -> None:
            count[0] += 1
            if count[0] >= number:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            original(source, target)

        with monkeypatch.context() as patched:
            patched.setattr(os, "rename", refuse)
            with pytest.raises(UnderbowError):
                put_new(parent)
        put_right(parent)
        states.add(check(parent, new=None))
        assert not list(parent.glob(".underbow*"))
    assert states == {True, False}


def test_what_took_the_name_meanwhile_is_never_replaced(tmp_path: Path) -> None:
    with workplace(tmp_path, KEY) as place:
        prepare(place)
        (tmp_path / "les.zip").write_text("mine")
        put_in_place(place, PAIR)
    assert (tmp_path / "les (changed by you).zip").read_text() == "mine"
    assert zip_state(tmp_path / "les.zip") == "ours"


def test_a_list_written_by_somebody_else_moves_nothing_outside(tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    (tmp_path / "secret").write_text("s")
    for names in (
        '["../../secret", "stolen", "file"]',
        '["new", "../secret", "file"]',
        '["new", "x", "device"]',
        '"x"',
    ):
        hidden(home, KEY, "todo").write_text(f"[{names}]")
        put_right(home)
        assert (tmp_path / "secret").read_text() == "s"
        assert not (home / "stolen").exists()


def test_two_runs_at_one_place_are_kept_apart(tmp_path: Path) -> None:
    with workplace(tmp_path, KEY) as place:
        (place.folder / "half").touch()
        with pytest.raises(UnderbowError, match="busy here"), workplace(tmp_path, KEY, busy="busy here"):
            pass
        put_right(tmp_path)  # and who clears away leaves it alone
        assert (place.folder / "half").exists()
    assert not list(tmp_path.iterdir())
