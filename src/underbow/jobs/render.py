"""Rendered sheets into one folder: each sheet's files take their names together, when all of them are there."""

from __future__ import annotations

import errno
import shutil
from collections.abc import Iterator
from pathlib import Path
from threading import Event
from typing import Any

from underbow.files import make_folder, output_error, workplace
from underbow.jobs.cache import Cache
from underbow.jobs.gather import Gathered
from underbow.jobs.progress import Told
from underbow.jobs.work import do_jobs
from underbow.lesson.swap import Exchange, put_in_place, put_right

__all__ = ["render_sheets"]


def render_sheets(
    gathered: Gathered,
    folder: Path,
    *,
    cache: Cache | None = None,
    progress: Told | None = None,
    stop: Event | None = None,
) -> Iterator[dict[str, Any]]:
    """Render sheets, and give the report of each when its files are in place.

    Parameters
    ----------
    gathered : Gathered
        Jobs with :class:`~underbow.sound.options.RenderOptions`.
    folder : Path
        Made where it isn't there. Files of the same name are replaced by whole new ones.
    cache : Cache, optional
        The user's by default.
    progress : callable, optional
    stop : threading.Event, optional

    Yields
    ------
    dict
        As :meth:`~underbow.jobs.run.Finished.report`, the paths with ``folder`` before them.

    Raises
    ------
    InputError, UnderbowError
        If a job fails; what was given before stays.
    """
    make_folder(folder)
    put_right(folder)
    cache = cache or Cache.usual()
    with workplace(folder) as place, cache.claim(job.stamp for job in gathered.jobs):
        for done in do_jobs(gathered, place.folder, folder, cache=cache, progress=progress, stop=stop):
            report = done.finished.report()
            home = done.finished.files.relative_to(place.folder).as_posix()
            names = [file["path"] for file in report["files"]]
            for name in names:
                if (folder / name).is_dir():
                    raise output_error(IsADirectoryError(errno.EISDIR, "a folder"), folder / name)
            put_in_place(place, [Exchange(f"{home}/{name}", name, "file") for name in names])
            shutil.rmtree(done.finished.folder, ignore_errors=True)
            yield report | {"files": [file | {"path": str(folder / file["path"])} for file in report["files"]]}
