"""What can go wrong with a file or a folder, in one line with its cure."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

from underbow.errors import Fault, InputError, UnderbowError

__all__ = ["DiskError", "folder_for", "make_folder", "output_error", "plain_file", "shown_as"]


HELD = (
    5,
    32,
    33,
)  # Windows' numbers for what another program has open (ERROR_ACCESS_DENIED, _SHARING_, _LOCK_VIOLATION)


class DiskError(UnderbowError):
    """The disk is full or fails: whatever is tried next in the same place will fail as well."""


def output_error(error: OSError, path: Path) -> UnderbowError:
    """Say in one line why a file can't be written, and what to do.

    >>> output_error(OSError(errno.ENOSPC, "No space left on device"), Path("a.wav")).args[0]
    "can't write a.wav: the disk is full; free some space or write to another folder"
    """
    advice = {
        errno.ENOENT: f"there is no folder {path.parent}; make it first or name another",
        errno.ENOTDIR: f"{path.parent} is not a folder; name another",
        errno.EEXIST: "a file has this name; name another folder",
        errno.EACCES: f"no permission to write in {path.parent}; name another folder",
        errno.EPERM: f"no permission to write in {path.parent}; name another folder",
        errno.EROFS: f"{path.parent} is read-only; name another folder",
        errno.EISDIR: "a folder has this name; remove it or choose another name",
        errno.ENAMETOOLONG: "the name is too long for this disk; choose a shorter title",
    }
    if getattr(error, "winerror", None) in HELD:
        return UnderbowError(f"can't write {path}: another program has it open; close it there, then try again")
    if error.errno in advice:
        return InputError(f"can't write {path}: {advice[error.errno]}")
    trouble = {
        errno.ENOSPC: "the disk is full; free some space or write to another folder",
        errno.EDQUOT: "your disk quota is used up; free some space or write to another folder",
        errno.EFBIG: "the file would be larger than this disk or this account allows; write to another folder",
    }
    why = trouble.get(error.errno or 0, f"{error.strerror or error}; try another folder")
    return DiskError(f"can't write {path}: {why}")


def shown_as(error: UnderbowError, hidden: Path, shown: Path) -> UnderbowError:
    """Give an error that names a hidden path of ours by the name that the user knows.

    >>> error = UnderbowError("can't write out/.underbow-1.work/a.wav: the disk is full")
    >>> str(shown_as(error, Path("out/.underbow-1.work"), Path("out")))
    "can't write out/a.wav: the disk is full"
    """
    if isinstance(error, InputError):
        return InputError(*(replace(f, what=f.what.replace(str(hidden), str(shown))) for f in error.faults))
    return type(error)(str(error).replace(str(hidden), str(shown)))


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, where it isn't there.

    Raises
    ------
    InputError
        If it can't be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        why = "a file has this name" if isinstance(error, FileExistsError) else error.strerror
        raise InputError(f"can't make the folder {folder}: {why}; name one in a place you may write to") from error


@contextmanager
def folder_for(folder: Path) -> Iterator[None]:
    """Make a folder and those above it, as :func:`make_folder`; what is empty of them at the end goes again."""
    new = [
        path for path in (folder, *folder.parents) if not os.path.exists(path)
    ]  # False too for a name no file can have
    try:
        make_folder(folder)
        yield
    finally:
        with suppress(OSError):  # until one that something is in
            for path in new:
                path.rmdir()


def plain_file(path: Path, name: str = "") -> Path:
    """Let a path pass that is no device or pipe, for reading one might never end.

    Raises
    ------
    InputError
        Where it is one, naming it as the user did.
    """
    try:
        special = path.exists() and not path.is_file() and not path.is_dir()
    except (OSError, ValueError):  # whoever opens it tells what is wrong
        return path
    if special:
        raise InputError(Fault("a device or a pipe; save it as a file and name that", file=name or str(path)))
    return path
