"""Put what is finished in the place of what was there: all of it or none, whatever happens in between.

What is to be done is written down first, in a hidden ``.todo`` file; then the old goes out of the way and the new takes its
name, by renaming alone. A failure is undone. After a kill the next run reads the list and ends what was begun, so that
under the name stands the old or the new, whole. Last of all the old is cleared away, but for what isn't ours: it moves over.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Literal

from underbow.errors import UnderbowError
from underbow.files.lock import take
from underbow.files.ours import MANIFEST, is_inside, read_manifest, theirs, zip_state
from underbow.files.trouble import output_error, shown_as
from underbow.files.whole import sync_folder, write_whole
from underbow.files.workplace import Workplace, clear_leftovers, hidden

__all__ = ["Exchange", "put_in_place", "put_right"]

Kind = Literal["file", "folder", "zip"]
_TODO = re.compile(r"\.underbow-([0-9a-f]{12})\.todo")


@dataclass(frozen=True, slots=True)
class Exchange:
    """One thing that takes the place of another.

    Parameters
    ----------
    new : str
        Its path within the workplace, with ``/`` between folders; empty where nothing takes the place.
    final : str
        Its name, beside the workplace.
    kind : {"file", "folder", "zip"}
        What there is to keep of the old one: nothing of a file; of a folder and of a zip what isn't as we made it.
    """

    new: str
    final: str
    kind: Kind


def put_in_place(place: Workplace, exchanges: Sequence[Exchange]) -> tuple[str, ...]:
    """Put new things in place.

    Parameters
    ----------
    place : Workplace
        In which the new things lie.
    exchanges : sequence of Exchange

    Returns
    -------
    tuple of str
        Names of what somebody had added or changed, as it is called now.

    Raises
    ------
    InputError, UnderbowError
        If the disk fails. The old is in place then, unless the message says that the new is.
    """
    todo = hidden(place.parent, place.key, "todo")
    begun: list[tuple[int, Exchange]] = []
    exchange = exchanges[0]
    try:
        write_whole(todo, json.dumps([[e.new, e.final, e.kind] for e in exchanges], ensure_ascii=False))
    except UnderbowError as error:
        raise shown_as(error, todo, place.parent / exchange.final) from error
    try:
        for number, exchange in enumerate(exchanges):
            begun.append((number, exchange))
            _forward(place, number, exchange)
    except OSError as error:
        undone = [_back(place, *step) for step in reversed(begun)]
        if all(undone):  # else the next run ends it
            with suppress(OSError):
                todo.unlink()
        raise output_error(error, place.parent / exchange.final) from error
    sync_folder(place.parent)
    return _finish(place, exchanges)


def put_right(parent: Path) -> None:
    """End what killed runs had begun in a folder, and clear away what they left; what is alive is let alone.

    Raises
    ------
    UnderbowError
        If the disk fails.
    """
    with suppress(OSError):
        for name in sorted(entry.name for entry in parent.iterdir()):
            found = _TODO.fullmatch(name)
            if found is not None:
                _end(Workplace(parent, found[1]))
    clear_leftovers(parent)


def _end(place: Workplace) -> None:
    lock = take(hidden(place.parent, place.key, "lock"))
    if lock is None:
        return
    try:
        todo = hidden(place.parent, place.key, "todo")
        try:
            exchanges = [_checked(*entry) for entry in json.loads(todo.read_bytes())]
        except (OSError, ValueError, TypeError):  # ended by another run, or nothing of ours
            return
        exchange = exchanges[0]
        try:
            for number, exchange in enumerate(exchanges):
                _forward(place, number, exchange)
        except OSError as error:
            raise output_error(error, place.parent / exchange.final) from error
        _finish(place, exchanges)
    finally:
        lock.release()


def _checked(new: str, final: str, kind: Kind) -> Exchange:
    """Let pass only what stays in its place: the list could have been written by anybody."""
    inner = PurePosixPath(new)
    if inner.is_absolute() or ".." in inner.parts or len(PurePosixPath(final).parts) != 1 or final in {"..", "."}:
        raise ValueError(final)
    if "\\" in new + final or kind not in {"file", "folder", "zip"}:
        raise ValueError(kind)
    return Exchange(new, final, kind)


def _paths(place: Workplace, number: int, exchange: Exchange) -> tuple[Path, Path, Path]:
    old = hidden(place.parent, place.key, f"{number}.old")
    return place.folder / exchange.new, place.parent / exchange.final, old


def _forward(place: Workplace, number: int, exchange: Exchange) -> None:
    """Let the old go out of the way and the new take its name; what of it is done already is left as it is."""
    new, final, old = _paths(place, number, exchange)
    if not exchange.new:
        if os.path.lexists(final) and not os.path.lexists(old):
            final.rename(old)
        return
    if not os.path.lexists(new):
        return
    if exchange.kind != "folder" and os.path.lexists(final) and os.path.samestat(new.lstat(), final.lstat()):
        new.unlink()  # killed between the two halves of a naming
        return
    if os.path.lexists(final):
        if os.path.lexists(old):
            raise UnderbowError(f"{final} appeared while an interrupted run was being put right; move it away first")
        final.rename(old)
    _name(new, final, exchange.kind)


def _name(new: Path, final: Path, kind: Kind) -> None:
    """Give a name that is free; where somebody took it a moment ago, raise instead of replacing."""
    if kind == "folder":
        new.rename(final)
        return
    try:
        os.link(new, final)
    except FileExistsError:
        raise
    except OSError:  # no links on this file system
        new.rename(final)
    else:
        new.unlink()


def _back(place: Workplace, number: int, exchange: Exchange) -> bool:
    """Undo a step; whether that could be done."""
    new, final, old = _paths(place, number, exchange)
    try:
        if exchange.new and not os.path.lexists(new):
            final.rename(new)
        elif exchange.kind != "folder" and os.path.lexists(final) and os.path.samestat(new.lstat(), final.lstat()):
            final.unlink()
        if os.path.lexists(old) and not os.path.lexists(final):
            old.rename(final)
    except OSError:
        return False
    return True


def _finish(place: Workplace, exchanges: Sequence[Exchange]) -> tuple[str, ...]:
    """Clear the old away, moving over what isn't ours."""
    changed: list[str] = []
    final = place.parent
    try:
        for number, exchange in enumerate(exchanges):
            _, final, old = _paths(place, number, exchange)
            if not os.path.lexists(old):
                continue
            if exchange.kind == "folder":
                changed += _move_over(old, final)
                _remove(old)
            elif exchange.kind == "zip" and zip_state(old) != "ours":
                free = _free(final.parent, PurePosixPath(final.name), changed=True)
                old.rename(free)
                changed.append(free.name)
            else:
                old.unlink()
        hidden(place.parent, place.key, "todo").unlink(missing_ok=True)
    except OSError as error:
        why = error.strerror or error
        raise UnderbowError(
            f"{final} is finished, but what was there before couldn't be cleared away ({why}); the next run does it"
        ) from error
    return tuple(changed)


def _move_over(old: Path, final: Path) -> list[str]:
    kept = []
    for name, changed in list(theirs(old)):
        target = _free(final, name, changed=changed)
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
        except FileExistsError:  # a file is called as its folder was
            target = _free(final, PurePosixPath("-".join(name.parts)), changed=changed)
        (old / name).rename(target)
        kept.append(target.relative_to(final).as_posix())
    return kept


def _free(folder: Path, name: PurePosixPath, *, changed: bool) -> Path:
    """Find a free name: the same, or the one that says that somebody changed it."""
    target = folder / name
    number = 1
    while changed or os.path.lexists(target):
        again = "" if number == 1 else f" {number}"
        target = folder / name.with_name(f"{name.stem} (changed by you){again}{name.suffix}")
        changed, number = False, number + 1
    return target


def _remove(old: Path) -> None:
    """Remove a folder by what we know to be ours; the manifest last, for it says what that is.

    Whatever else got in meanwhile makes it fail, so that the next run moves it over.
    """
    manifest = read_manifest(old)
    for name in [] if manifest is None else [file["path"] for file in manifest["files"]]:
        if is_inside(name):
            (old / name).unlink(missing_ok=True)
    folders = [path for path in old.rglob("*") if path.is_dir() and not path.is_symlink()]
    for path in sorted(folders, reverse=True):
        path.rmdir()
    if manifest is not None:
        (old / MANIFEST).unlink()
    old.rmdir()
