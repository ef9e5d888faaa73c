"""Many jobs, one after another or side by side: each is done once, and what is finished is never lost."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from threading import Event

from underbow.errors import UnderbowError
from underbow.files import shown_as
from underbow.jobs.cache import Cache
from underbow.jobs.gather import Gathered
from underbow.jobs.job import Job
from underbow.jobs.progress import Counting, Told
from underbow.jobs.run import FILES, Finished, run_job

__all__ = ["Done", "do_jobs"]


@dataclass(frozen=True, slots=True)
class Done:
    """A job that is finished: its place among the jobs, and where its files are."""

    number: int
    job: Job
    finished: Finished


def do_jobs(
    gathered: Gathered,
    folder: Path,
    shown: Path,
    *,
    cache: Cache,
    progress: Told | None = None,
    stop: Event | None = None,
) -> Iterator[Done]:
    """Do jobs, and give each as it is finished, from the cache or new.

    Parameters
    ----------
    gathered : Gathered
    folder : Path
        There already; each job gets a folder of its own in it, the caller's to empty.
    shown : Path
        The folder that messages name in its place.
    cache : Cache
    progress : callable, optional
    stop : threading.Event, optional

    Raises
    ------
    InputError, UnderbowError
        If a job fails.
    StoppedError
        If ``stop`` was set.
    """
    counting = Counting(gathered.jobs, progress)
    for number, job in enumerate(gathered.jobs):
        stamp, home = job.stamp, folder / f"{number:05d}"
        finished = cache.take(stamp, home)
        given = finished is not None
        if finished is None:
            step = partial(counting.step, number)
            try:
                finished = run_job(job, home, places=gathered.voices.places, progress=step, stop=stop)
            except UnderbowError as error:
                raise shown_as(error, home / FILES, shown) from error
            cache.keep(finished, stamp)
        counting.finish(number, given=given)
        yield Done(number, job, finished)
