"""Files that are there whole or not at all, and names that every system takes."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import secrets
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from underbow.errors import Fault, InputError, UnderbowError

__all__ = ["output_error", "plain_file", "safe_name", "whole_file", "write_whole"]

_LONGEST = 120
_RESERVED = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])\s*(\..*)?", re.IGNORECASE)
_JOINERS = "\u200c\u200d"  # shape letters in Persian and the scripts of India


def safe_name(title: str, *, longest: int = _LONGEST) -> str:
    """Make a file name, without its ending, from a title in any language.

    Parameters
    ----------
    title : str
    longest : int
        Most bytes in UTF-8; systems take 255 with the ending.

    Returns
    -------
    str
        In Unicode form NFC, never empty: no separators, control or direction characters, nothing Windows keeps for
        itself, no dot, dash or space at the start, no dot or space at the end.

    Examples
    --------
    >>> safe_name("Lamplight on the landing: 6/8")
    'Lamplight on the landing- 6-8'
    >>> safe_name("  ../../etc  "), safe_name("nul"), safe_name("???")
    ('etc', '_nul', 'untitled')
    """
    text = re.sub(r"[/\\|:]+", "-", unicodedata.normalize("NFC", title))
    text = re.sub(r'[*?"<>]', "", text)
    text = "".join(" " if c.isspace() else c for c in text if c.isspace() or _printable(c))
    text = re.sub(r" +", " ", text).lstrip(" .-").rstrip(" .")
    if _RESERVED.fullmatch(text):
        text = "_" + text
    while len(text.encode()) > longest:
        # Not between a letter and its accent.
        cut = len(text.encode()[:longest].decode(errors="ignore"))
        while cut and (unicodedata.combining(text[cut]) or text[cut] in _JOINERS):
            cut -= 1
        text = text[:cut].rstrip(" .")
    return text or "untitled"


def _printable(character: str) -> bool:
    return character in _JOINERS or unicodedata.category(character) not in {"Cc", "Cf", "Cs", "Cn", "Co"}


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
        errno.EROFS: f"{path.parent} can only be read; name another folder",
        errno.EISDIR: "a folder has this name; remove it or choose another name",
        errno.ENAMETOOLONG: "the name is too long for this disk; choose a shorter title",
    }
    if error.errno in advice:
        return InputError(f"can't write {path}: {advice[error.errno]}")
    trouble = {
        errno.ENOSPC: "the disk is full; free some space or write to another folder",
        errno.EDQUOT: "your share of the disk is used up; free some space or write to another folder",
        errno.EFBIG: "the file would be larger than this disk or this account allows; write to another folder",
    }
    why = trouble.get(error.errno or 0, f"{error.strerror or error}; try another folder")
    return UnderbowError(f"can't write {path}: {why}")


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
def whole_file(path: Path) -> Iterator[Path]:
    """Give a temporary path beside ``path``; what is written there takes the final name at the end, safe on the disk.

    Where the block raises, nothing stays. A killed program can leave a hidden ``.part`` file, never one under the
    final name.

    Raises
    ------
    InputError
        If the folder is missing or can't be written to.
    UnderbowError
        If the disk fails or is full.
    """
    part = path.parent / f".underbow-{os.getpid()}-{secrets.token_hex(6)}.part"
    try:
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, "is a folder")
        os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
        yield part
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.replace(path)
        _sync_folder(path.parent)
    except OSError as error:
        raise output_error(error, path) from error
    finally:
        with suppress(OSError):
            part.unlink()


def _sync_folder(folder: Path) -> None:
    """Make the new name safe on the disk, on systems where a folder can be opened for that."""
    if os.name == "posix":
        with suppress(OSError):
            handle = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)


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
