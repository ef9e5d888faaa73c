"""The teacher's folder: nothing outside it is read or written, and what is written is there whole or not at all.

A file is known by its *name*: its path below the folder with ``/`` between folders, such as ``reels/lamplight.toml``.
"""

from __future__ import annotations

import errno
import filecmp
import hashlib
import os
import re
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from threading import RLock

from underbow.errors import Fault, InputError, UnderbowError
from underbow.files.lock import wait_for
from underbow.files.names import safe_name
from underbow.files.trouble import HELD, plain_file
from underbow.files.whole import sync_folder, whole_file, write_whole
from underbow.files.workplace import clear_leftovers
from underbow.text import is_shown

__all__ = ["AWAY", "MOST_BYTES", "ChangedElsewhereError", "Folder"]

AWAY = "put away"  # where sheets lie that were taken off the shelf

MOST_BYTES = 2_000_000  # of a file that the desk writes
_MOST_ALIKE = 1000  # files whose names differ by a number
_DEEPEST = 6  # folders below the teacher's
_LONGEST = 500  # characters of a name
# What a teacher can do, who has chosen the folder when she began and now has something on the page that isn't saved.
_CURES = {
    errno.EACCES: "the folder lets you read, but not write; allow writing in its properties",
    errno.EPERM: "the folder lets you read, but not write; allow writing in its properties",
    errno.EROFS: "its disk can only be read; allow writing on it, or copy the folder to another disk and open the desk there",
    errno.ENOSPC: "the disk is full; delete something that you don't need any more",
    errno.EDQUOT: "your share of the disk is used up; delete something that you don't need any more",
    errno.ENOENT: "its folder isn't there any more; put it back, or plug its disk in again",
}


class ChangedElsewhereError(Exception):
    """Somebody else has changed files meanwhile; ``names`` says which."""

    def __init__(self, names: Iterable[str]) -> None:
        self.names = tuple(names)
        super().__init__(", ".join(self.names))


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder of track sheets.

    Parameters
    ----------
    path : Path
        It must be there.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     folder = Folder(Path(place))
    ...     folder.write({"a.toml": b"title = 'A'"}, {"a.toml": None})
    ...     folder.names(".toml"), folder.read("a.toml")
    (['a.toml'], b"title = 'A'")
    """

    path: Path
    _lock: RLock = field(default_factory=RLock, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "path", self.path.resolve())

    def place(self, name: str) -> Path:
        """Give the path of a name.

        Raises
        ------
        InputError
            Where the name is none of this folder: it leads out of it (by ``..``, a drive, a link), or to a hidden file.
        """
        parts = PurePosixPath(name).parts
        usual = (
            0 < len(name) <= _LONGEST
            and name == "/".join(parts)
            and len(parts) <= _DEEPEST + (parts[0] == AWAY)
            and all(_is_usual(part) for part in parts)
        )
        path = self.path.joinpath(*parts) if usual else self.path
        try:
            path = path.resolve()
            inside = usual and path != self.path and path.is_relative_to(self.path)
        except (OSError, ValueError, RuntimeError):  # a name that no file can have; links in a circle
            inside = False
        if not inside:
            raise InputError(Fault(f"no file of this folder: {name[:80]!r}"))
        return path

    def names(self, *endings: str) -> list[str]:
        """Give the names of the files with these endings, in alphabetical order; lessons and what was put away are left out."""
        found = [name for name, _ in self.entries(*endings)]
        return sorted(found, key=str.casefold)

    def entries(self, *endings: str, away: bool = False) -> Iterator[tuple[str, os.stat_result]]:
        """Give the names of the files with these endings and what the disk says about them, in any order.

        Finished lessons are left out, and what was put away; ``away`` gives that, and nothing else.
        """
        waiting = [(f"{AWAY}/", self.path / AWAY)] if away else [("", self.path)]
        while waiting:
            above, path = waiting.pop()
            with suppress(OSError), os.scandir(path) as listed:
                here = list(listed)
                if above and any(entry.name == "manifest.json" for entry in here):
                    continue  # a lesson that was made
                for entry in here:
                    name = above + entry.name
                    if not _is_usual(entry.name) or name == AWAY:
                        continue
                    with suppress(OSError):
                        if entry.is_dir(follow_symlinks=False):
                            if name.count("/") + 1 < _DEEPEST + away:
                                waiting.append((name + "/", Path(entry.path)))
                        elif entry.name.lower().endswith(endings) and entry.is_file() and self._holds(name):
                            yield name, entry.stat()

    def _holds(self, name: str) -> bool:
        if not (self.path / name).is_symlink():
            return True
        try:
            self.place(name)
        except InputError:
            return False
        return True

    def read(self, name: str) -> bytes:
        """Read a file.

        Raises
        ------
        InputError
            Where there is none, it can't be read, or it is too large.
        """
        path = self.place(name)
        try:
            with plain_file(path, name).open("rb") as file:
                data = file.read(MOST_BYTES + 1)
        except OSError as error:
            raise InputError(Fault(f"can't be read: {error.strerror or error}", file=name)) from None
        if len(data) > MOST_BYTES:
            raise InputError(Fault(f"more than {MOST_BYTES} bytes", file=name))
        return data

    def found(self, name: str) -> bytes | None:
        """Give what is in a file; None where there is no such file."""
        try:
            return self.read(name) if self.place(name).exists() else None
        except OSError:
            return None

    def write(self, after: Mapping[str, bytes | None], before: Mapping[str, bytes | None]) -> None:
        """Write files (None: remove one), provided that all of them are still as they were seen.

        Parameters
        ----------
        after, before : mapping of str to bytes or None
            What the files shall hold, and what whoever asks has seen in them; None where there is no file.

        Raises
        ------
        ChangedElsewhereError
            Where a file is not as it was seen. Nothing is written then.
        InputError, UnderbowError
            Where it can't be written. Files that are written one by one are old or new, each of them whole.
        """
        for name, content in after.items():
            if content is not None and len(content) > MOST_BYTES:
                raise InputError(Fault(f"more than {MOST_BYTES} bytes; a sheet or a tune is a page of text", file=name))
        with self._alone():
            changed = [name for name, seen in before.items() if self.found(name) != seen]
            if changed:
                raise ChangedElsewhereError(changed)
            for parent in {self.place(name).parent for name in after}:
                clear_leftovers(parent)
            for name, content in after.items():
                path = self.place(name)
                try:
                    if content is None:
                        path.unlink(missing_ok=True)
                    elif content != before.get(name):
                        write_whole(path, content)
                except (OSError, UnderbowError) as error:
                    raise _unsaved(error, name) from error

    def add(self, stem: str, ending: str, path: Path) -> str:
        """Put a new file beside the others, whole or not at all; give its name.

        Parameters
        ----------
        stem, ending : str
            Of its name; where such a file is there already, a number is put between them.
        path : Path
            What it shall hold. It may be larger than what the desk itself writes.

        Raises
        ------
        InputError, UnderbowError
            Where it can't be written.

        >>> import tempfile
        >>> with tempfile.TemporaryDirectory() as place:
        ...     folder = Folder(Path(place))
        ...     folder.write({"me.wav": b"one"}, {"me.wav": None})
        ...     folder.add("me", ".wav", folder.place("me.wav")), folder.read("me-2.wav")
        ('me-2.wav', b'one')
        """
        with self._alone():
            for number in range(1, _MOST_ALIKE):
                name = f"{stem}{'' if number == 1 else f'-{number}'}{ending}"
                place = self.place(name)
                if not place.exists():
                    clear_leftovers(place.parent)
                    with whole_file(place) as part:
                        shutil.copyfile(path, part)
                    return name
        raise InputError(f"{_MOST_ALIKE} files are called like {stem}{ending}; delete those that nobody needs")

    def move(self, names: Mapping[str, str]) -> None:
        """Give files other names, all of them or none; folders are made where they aren't there.

        Parameters
        ----------
        names : mapping of str to str
            The new name of each.

        Raises
        ------
        InputError, UnderbowError
            Where a file isn't there, its new name is taken, or it can't be moved.

        >>> import tempfile
        >>> with tempfile.TemporaryDirectory() as place:
        ...     folder = Folder(Path(place))
        ...     folder.write({"a.toml": b"title = 'A'"}, {"a.toml": None})
        ...     folder.move({"a.toml": "old/b.toml"})
        ...     folder.names(".toml")
        ['old/b.toml']
        """
        with self._alone():
            moved: list[tuple[Path, Path]] = []
            for old, new in names.items():
                if not self.place(old).is_file():
                    raise InputError(Fault("isn't there any more", file=old))
                if self.place(new).exists():
                    raise InputError(Fault("there is such a file already; give one of the two another name", file=new))
            try:
                for old, new in names.items():
                    way = self.path / old, self.path / new
                    way[1].parent.mkdir(parents=True, exist_ok=True)
                    way[0].rename(way[1])
                    moved.append(way)
            except OSError as error:
                for before, after in reversed(moved):
                    with suppress(OSError):
                        after.rename(before)
                raise _unsaved(error, new) from error
            for place in {path.parent for way in moved for path in way}:
                sync_folder(place)

    def found_as(self, name: str, path: Path) -> str | None:
        """Give a name where the folder has a file so called that holds the same as another; None where it hasn't."""
        try:
            place = self.place(name)
            alike = place.is_file() and filecmp.cmp(place, path, shallow=False)
        except (InputError, OSError):
            return None
        return name if alike else None

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Keep every other desk on this folder waiting, in this program or another."""
        with self._lock:
            key = hashlib.sha256(os.fsencode(self.path)).hexdigest()[:24]
            user = getattr(os, "getuid", lambda: 0)()
            try:
                lock = wait_for(Path(tempfile.gettempdir()) / f"underbow-desk-{user}-{key}.lock")
            except OSError:  # without a place for it: what was seen is compared all the same
                yield
                return
            try:
                yield
            finally:
                lock.release()

    def free_name(self, title: str, ending: str, above: str = "") -> str:
        """Give a name that no file has yet, nor one that was put away, made from a title.

        Parameters
        ----------
        title, ending : str
        above : str
            The folder that it shall be in, with a ``/`` at its end; the teacher's own by default.

        >>> import tempfile
        >>> with tempfile.TemporaryDirectory() as place:
        ...     Folder(Path(place)).free_name("Wet Socks: a jig", ".toml")
        'wet-socks-a-jig.toml'
        """
        plain = safe_name(title, longest=60).casefold().replace("'", "").replace("’", "")
        stem = re.sub(r"[\W_]+", "-", plain).strip("-") or "untitled"
        taken: set[str] = set()
        for place in (self.path / above, self.path / AWAY / above):
            with suppress(OSError):
                taken |= {entry.name.casefold() for entry in place.iterdir()}
        number = 1
        name = stem
        while any(name + other in taken for other in {ending, ".toml", ".abc"}):
            number += 1
            name = f"{stem}-{number}"
        return above + name + ending


def _unsaved(error: OSError | UnderbowError, name: str) -> UnderbowError:
    """Say why a file can't be saved, and what a teacher can do.

    >>> str(_unsaved(OSError(errno.ENOSPC, "No space left on device"), "a.toml"))
    "a.toml can't be saved: the disk is full; delete something that you don't need any more"
    """
    cause = error if isinstance(error, OSError) else error.__cause__
    if not isinstance(cause, OSError):
        return error if isinstance(error, UnderbowError) else UnderbowError(str(error))
    held = getattr(cause, "winerror", None) in HELD
    why = "another program has it open; close it there" if held else _CURES.get(cause.errno or 0)
    return UnderbowError(f"{name} can't be saved: {why or cause.strerror or cause}")


def _is_usual(part: str) -> bool:
    """Whether a name is one that the desk has to do with: not hidden, nothing that steers, no other system's path."""
    return not part.startswith(".") and all(map(is_shown, part)) and not any(sign in part for sign in '\\:*?"<>|')
