"""Rendered sheets into one folder: each sheet's files take their names together, when all of them are there."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from underbow.files.swap import Exchange, put_in_place, put_right
from underbow.files.trouble import folder_for, output_error
from underbow.files.workplace import Workplace, workplace
from underbow.jobs.gather import Gathered
from underbow.jobs.size import check_room
from underbow.jobs.work import Done, SomeFailedError, Way, do_jobs

__all__ = ["render_sheets"]


def render_sheets(gathered: Gathered, folder: Path, way: Way = Way()) -> Iterator[dict[str, Any]]:
    """Render sheets, and give the report of each when its files are in place, in the order of the sheets.

    Parameters
    ----------
    gathered : Gathered
        Jobs with :class:`~underbow.sound.options.RenderOptions`.
    folder : Path
        Made where it isn't there, and gone again where nothing comes of it. Files of the same name are replaced by whole
        new ones.
    way : Way

    Yields
    ------
    dict
        As :meth:`~underbow.jobs.run.Finished.report`, the paths with ``folder`` before them.

    Raises
    ------
    InputError, UnderbowError
        As :func:`~underbow.jobs.work.do_jobs`; what was given before stays.
    """
    if os.path.isdir(folder):  # False too for a name no folder can have
        put_right(folder)
    check_room(gathered.jobs, folder)
    waiting: dict[int, dict[str, Any]] = {}
    turn = 0
    failed: SomeFailedError | None = None
    with folder_for(folder), workplace(folder) as place:
        try:
            for done in do_jobs(gathered, place.folder, folder, way):
                waiting[done.number] = _put(done, place, folder)
                while turn in waiting:
                    yield waiting.pop(turn)
                    turn += 1
        except SomeFailedError as error:
            failed = error
        for number in sorted(waiting):  # what comes after one that failed
            yield waiting[number]
    if failed is not None:
        raise failed


def _put(done: Done, place: Workplace, folder: Path) -> dict[str, Any]:
    """Put a finished job's files in place; give its report."""
    report = done.finished.report()
    home = done.finished.files.relative_to(place.folder).as_posix()
    names = [file["path"] for file in report["files"]]
    for name in names:
        if (folder / name).is_dir():
            raise output_error(IsADirectoryError(errno.EISDIR, "a folder"), folder / name)
    put_in_place(place, [Exchange(f"{home}/{name}", name, "file") for name in names])
    shutil.rmtree(done.finished.folder, ignore_errors=True)
    return report | {"files": [file | {"path": str(folder / file["path"])} for file in report["files"]]}
