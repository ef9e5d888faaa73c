"""Hidden folders in which a run works, beside what it will put in place; and the clearing away of those that died.

Everything hidden that we make is called ``.underbow-KEY.ENDING``: ``.part`` is a file on its way (its own lock), ``.work`` a
folder at work, with its lock beside it in ``.lock``. The lock is taken before the folder is made and let go after it is
gone, so that a folder without a live lock is nobody's.
"""

from __future__ import annotations

import re
import secrets
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from underbow.errors import UnderbowError
from underbow.files.lock import take, take_dead
from underbow.files.trouble import output_error

__all__ = ["Workplace", "clear_leftovers", "hidden", "scratch", "workplace"]

_OURS = re.compile(r"\.underbow-([0-9a-f]{12})\.(part|work|lock)")


@dataclass(frozen=True, slots=True)
class Workplace:
    """A folder to work in.

    Parameters
    ----------
    parent : Path
    key : str
        Twelve hexadecimal digits.
    """

    parent: Path
    key: str

    @property
    def folder(self) -> Path:
        """The hidden folder itself."""
        return hidden(self.parent, self.key, "work")


def hidden(parent: Path, key: str, ending: str) -> Path:
    """Give the path of something hidden of ours.

    >>> hidden(Path("out"), "0123456789ab", "work").as_posix()
    'out/.underbow-0123456789ab.work'
    """
    return parent / f".underbow-{key}.{ending}"


@contextmanager
def workplace(parent: Path, key: str = "", *, busy: str = "") -> Iterator[Workplace]:
    """Give a new hidden folder, gone again at the end.

    Parameters
    ----------
    parent : Path
        There already.
    key : str
        Names the place, where no two runs may be at work at once; any other way a new one.
    busy : str
        The message where another run has this place.

    Raises
    ------
    UnderbowError
        If another run has it, or the disk fails.
    InputError
        If it can't be made there.
    """
    place = Workplace(parent, key or secrets.token_hex(6))
    try:
        lock = take(hidden(parent, place.key, "lock"))
    except OSError as error:
        raise output_error(error, parent) from error
    if lock is None:
        raise UnderbowError(busy or f"another run is working in {parent}; try again when it has finished")
    try:
        _empty(place)  # a dead run's
        try:
            place.folder.mkdir()
        except OSError as error:
            raise output_error(error, parent) from error
        yield place
    finally:
        _empty(place)
        lock.release()


def _empty(place: Workplace) -> None:
    """Remove the folder, unless something in it is still to be put in place: the next run ends that."""
    if hidden(place.parent, place.key, "todo").exists():
        return
    shutil.rmtree(place.folder, ignore_errors=True)
    if place.folder.exists():  # a deletion may fail for a moment
        shutil.rmtree(place.folder, ignore_errors=True)


@contextmanager
def scratch() -> Iterator[Path]:
    """Give a folder for the time being in the system's temporary one, where dead runs' are cleared away first.

    Raises
    ------
    UnderbowError
        If the temporary folder is full, or can't be written to; its name is in the message.
    """
    place = Path(tempfile.gettempdir())
    clear_leftovers(place)
    with workplace(place) as mine:
        yield mine.folder


def clear_leftovers(folder: Path) -> None:
    """Clear away what killed runs left in a folder, and nothing of a run that is alive."""
    with suppress(OSError):
        found = sorted({(match[1], match[2]) for entry in folder.iterdir() if (match := _OURS.fullmatch(entry.name))})
        for key, ending in found:
            _clear(folder, key, ending)


def _clear(folder: Path, key: str, ending: str) -> None:
    if ending == "part":
        lock = take_dead(hidden(folder, key, ending))
        if lock is not None:
            lock.release()
        return
    path = hidden(folder, key, "lock")
    lock = take_dead(path)
    if lock is None and path.exists():
        return
    _empty(Workplace(folder, key))
    if lock is not None:
        lock.release()
