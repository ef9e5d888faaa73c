"""Files that are there whole or not at all."""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from underbow.files.lock import take_new
from underbow.files.trouble import HELD, output_error

__all__ = ["digest", "put_in_place", "sync_folder", "whole_file", "write_whole"]


_WAITS = (0.05, 0.1, 0.2, 0.4, 0.8)  # seconds for whoever holds a file to let go


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a temporary path beside ``path``; what is written there takes the final name at the end, safe on the disk.

    Where the block raises, nothing stays. A killed program can leave a hidden ``.part`` file, never one under the
    final name; the next run that writes in the folder clears it away.

    Raises
    ------
    InputError
        If the folder is missing or can't be written to.
    UnderbowError
        If the disk fails or is full.
    """
    part = path.parent / f".underbow-{secrets.token_hex(6)}.part"
    try:
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, "is a folder")
        lock = take_new(part)
    except OSError as error:
        raise output_error(error, path) from error
    try:
        yield part
        os.fsync(lock.handle)
        if sys.platform == "win32":  # where what is open can't be renamed
            lock.release(remove=False)
        put_in_place(part, path)
        sync_folder(path.parent)
    except OSError as error:
        raise output_error(error, path) from error
    finally:
        with suppress(OSError):
            part.unlink()
        if sys.platform != "win32":
            lock.release(remove=False)


def put_in_place(part: Path, path: Path) -> None:
    """Rename a whole file to its name; on Windows a player, a scanner or a sync program may hold the old one for a moment."""
    for wait in _WAITS:
        try:
            part.replace(path)
        except PermissionError as error:
            if getattr(error, "winerror", None) not in HELD:
                raise
            time.sleep(wait)
        else:
            return
    part.replace(path)


def sync_folder(folder: Path) -> None:
    """Make new names safe on the disk, on systems where a folder can be opened for that."""
    if os.name == "posix":
        with suppress(OSError):
            handle = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)


def digest(path: Path) -> str:
    """Give the SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_whole(path: Path, data: bytes | str) -> str:
    """Write a file whole or not at all; text goes out as UTF-8 with plain line ends.

    Returns
    -------
    str
        The SHA-256 of the bytes, in hexadecimal.

    Raises
    ------
    InputError, UnderbowError
        As :func:`whole_file`.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "a.abc"
    ...     (write_whole(path, "X:1") == digest(path), [file.name for file in path.parent.iterdir()])
    (True, ['a.abc'])
    """
    content = data.encode() if isinstance(data, str) else data
    with whole_file(path) as part:
        part.write_bytes(content)
    return hashlib.sha256(content).hexdigest()
