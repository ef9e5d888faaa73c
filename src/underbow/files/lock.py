"""Locks that end with the process that holds them, however it ends, so that others can tell a live run's files from a dead one's.

On POSIX they are ``flock``'s, which also part two runs within one process; on Windows a byte of the file is locked. Where a
file system has no locks nothing is cleared away, and two runs aren't kept apart.
"""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Lock", "take", "take_dead", "take_new", "wait_for"]

_FLAGS = os.O_RDWR
for _name in ("O_CLOEXEC", "O_NOFOLLOW", "O_NOINHERIT", "O_BINARY"):  # as far as the system has them
    _FLAGS |= getattr(os, _name, 0)


@dataclass(frozen=True, slots=True)
class Lock:
    """A file of which this process holds the lock.

    Parameters
    ----------
    path : Path
    handle : int
        The open file.
    """

    path: Path
    handle: int

    def release(self, *, remove: bool = True) -> None:
        """Let go, and remove the file, as long as it still has this name."""
        try:
            if remove and sys.platform != "win32" and _is_there(self.handle, self.path):
                _delete(self.path)
        finally:
            os.close(self.handle)
        if remove and sys.platform == "win32":  # where what is open can't be removed
            _delete(self.path)


def _delete(path: Path) -> None:
    """Delete a lock's file if it can be; where a deletion fails for a moment, the second try does it."""
    for _ in range(2):
        with suppress(OSError):
            path.unlink(missing_ok=True)
            return


def take(path: Path) -> Lock | None:
    """Take the lock of this name, making its file where there is none; None where somebody else holds it.

    Raises
    ------
    OSError
        Where the file can't be made.
    """
    while True:
        handle = os.open(path, _FLAGS | os.O_CREAT, 0o666)
        if not _locked(handle):
            os.close(handle)
            return None
        if _is_there(handle, path):
            return Lock(path, handle)
        os.close(handle)  # its last holder removed it just then


def wait_for(path: Path) -> Lock:
    """Wait until nobody else holds the lock of this name, and take it; only this user may open its file.

    Raises
    ------
    OSError
        Where the file can't be made, or is another user's.
    """
    while True:
        handle = os.open(path, _FLAGS | os.O_CREAT, 0o600)
        _wait(handle)
        if _is_there(handle, path):
            return Lock(path, handle)
        os.close(handle)  # its last holder removed it just then


def take_new(path: Path) -> Lock:
    """Make a file that wasn't there and hold its lock.

    Raises
    ------
    OSError
        Where it can't be made.
    """
    while True:
        handle = os.open(path, _FLAGS | os.O_CREAT | os.O_EXCL, 0o666)
        _locked(handle)
        if _is_there(handle, path):
            return Lock(path, handle)
        os.close(handle)  # somebody who clears away came between the two steps


def take_dead(path: Path) -> Lock | None:
    """Take the lock of a file that nobody holds any more; None where it is gone, held, or can't be told."""
    try:
        handle = os.open(path, _FLAGS)
    except OSError:
        return None
    if _locked(handle, unsure=False) and _is_there(handle, path):
        return Lock(path, handle)
    os.close(handle)
    return None


def _is_there(handle: int, path: Path) -> bool:
    """Whether the open file still has this name."""
    try:
        return os.path.samestat(os.fstat(handle), path.stat(follow_symlinks=False))
    except OSError:
        return False


if sys.platform == "win32":
    import msvcrt

    def _locked(handle: int, *, unsure: bool = True) -> bool:
        try:
            os.lseek(handle, 1 << 30, os.SEEK_SET)  # beyond what anybody writes: a locked byte can't be
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except PermissionError:
            return False
        except OSError:
            return unsure
        return True

    def _wait(handle: int) -> None:
        os.lseek(handle, 1 << 30, os.SEEK_SET)
        with suppress(OSError):  # held for longer than the ten seconds that Windows waits
            msvcrt.locking(handle, msvcrt.LK_LOCK, 1)
else:
    import fcntl

    def _locked(handle: int, *, unsure: bool = True) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:  # no locks on this file system
            return unsure
        return True

    def _wait(handle: int) -> None:
        with suppress(OSError):  # no locks on this file system
            fcntl.flock(handle, fcntl.LOCK_EX)
