"""Many jobs: each is done once, what is finished is never lost, and one that fails doesn't take the others with it."""

from __future__ import annotations

import shutil
from collections import deque
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, wait
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from threading import Event

from underbow.errors import InputError, UnderbowError
from underbow.files.trouble import DiskError, output_error, shown_as
from underbow.jobs.cache import Cache
from underbow.jobs.crew import Crew, Processes, ThisProcess
from underbow.jobs.gather import Gathered
from underbow.jobs.job import GIVEN, Job
from underbow.jobs.progress import Counting, Told
from underbow.jobs.run import FILES, Finished, StoppedError

__all__ = ["Done", "SomeFailedError", "Way", "do_jobs"]

DEATHS = 3  # of workers, until it is taken to be the job's fault
_PATIENCE = 0.1  # seconds between two looks at what the workers tell


class SomeFailedError(UnderbowError):
    """Some jobs failed; the others are finished.

    Parameters
    ----------
    failures : tuple of str
        A line for each, with its title.
    count : int
        Of all jobs.
    """

    def __init__(self, failures: tuple[str, ...], count: int) -> None:
        self.failures = failures
        sheets = "the sheet" if count == 1 else f"{len(failures)} of {count} sheets"
        super().__init__(f"{sheets} failed: {'; '.join(failures)}")


@dataclass(frozen=True, slots=True)
class Way:
    """How jobs are done: what everybody who has several done may choose.

    Parameters
    ----------
    cache : Cache, optional
        The user's by default.
    workers : int
        Processes; 0 does everything in this one.
    cluster : str
        Address of a scheduler, in place of processes.
    progress : callable, optional
        Called with a :class:`~underbow.jobs.progress.Progress`, from the calling thread.
    stop : threading.Event, optional
        Once it is set, the work stops.
    """

    cache: Cache | None = None
    workers: int = 0
    cluster: str = ""
    progress: Told | None = None
    stop: Event | None = None

    def crew(self, gathered: Gathered) -> Crew:
        """Engage who does the jobs."""
        places = gathered.voices.places
        if self.cluster:
            from underbow.jobs.cluster import Cluster  # noqa: PLC0415  an extra

            return Cluster(self.cluster, gathered)
        if self.workers:
            return Processes(min(self.workers, len(gathered.jobs)), places)
        return ThisProcess(places, self.stop)


@dataclass(frozen=True, slots=True)
class Done:
    """A job that is finished: its place among the jobs, and where its files are."""

    number: int
    job: Job
    finished: Finished


def do_jobs(gathered: Gathered, folder: Path, shown: Path, way: Way) -> Iterator[Done]:
    """Do jobs, and give each as it is finished, from the cache or new.

    Parameters
    ----------
    gathered : Gathered
    folder : Path
        There already; each job gets a folder of its own in it, the caller's to empty.
    shown : Path
        The folder that messages name in its place.
    way : Way

    Raises
    ------
    InputError, DiskError
        At once, if nothing can be written, or what is asked for can't be had.
    SomeFailedError
        At the end, if jobs failed by themselves, or killed three workers.
    StoppedError
        If ``way.stop`` was set.
    """
    cache = way.cache or Cache.usual()
    with cache.claim(job.stamp for job in gathered.jobs), closing(way.crew(gathered)) as crew:
        yield from _Work(gathered, folder, shown, way, cache).done(crew)


class _Work:
    """Jobs that wait, jobs at work, and jobs that failed."""

    def __init__(self, gathered: Gathered, folder: Path, shown: Path, way: Way, cache: Cache) -> None:
        self._jobs, self._folder, self._shown, self._stop, self._cache = gathered.jobs, folder, shown, way.stop, cache
        self._counting = Counting(gathered.jobs, way.progress)
        self._waiting = deque(range(len(gathered.jobs)))
        self._at_work: dict[Future[None], int] = {}
        self._deaths: dict[int, int] = {}
        self._failures: dict[int, str] = {}

    def done(self, crew: Crew) -> Iterator[Done]:
        while self._waiting or self._at_work:
            while self._waiting and crew.has_room():
                if self._stop is not None and self._stop.is_set():
                    raise StoppedError("stopped; what was finished is kept")
                kept = self._begin(crew, self._waiting.popleft())
                if kept is not None:
                    yield kept
            if self._at_work:
                finished, _ = wait(self._at_work, _PATIENCE, FIRST_COMPLETED)
                crew.listen()
                for future in sorted(finished, key=self._at_work.__getitem__):
                    number = self._at_work.pop(future)
                    if self._ended(number, future):
                        yield self._finished(number, kept=False)
            if self._stop is not None and self._stop.is_set():
                raise StoppedError("stopped; what was finished is kept")
        if self._failures:
            raise SomeFailedError(tuple(line for _, line in sorted(self._failures.items())), len(self._jobs))

    def _home(self, number: int) -> Path:
        return self._folder / f"{number:05d}"

    def _begin(self, crew: Crew, number: int) -> Done | None:
        """Take a job from the cache, or give it to the crew."""
        job, home = self._jobs[number], self._home(number)
        if number not in self._deaths and self._cache.take(job.stamp, home) is not None:
            return self._finished(number, kept=True)
        self._at_work[crew.submit(job, home, partial(self._counting.step, number))] = number
        return None

    def _finished(self, number: int, *, kept: bool) -> Done:
        finished = Finished(self._home(number))
        if not kept:
            self._cache.keep(finished, self._jobs[number].stamp)
        self._counting.finish(number, kept=kept)
        return Done(number, self._jobs[number], finished)

    def _ended(self, number: int, future: Future[None]) -> bool:
        """Whether a job is finished; else note why not, or let it wait for another try."""
        title, home = self._jobs[number].title, self._home(number)
        try:
            future.result()
        except BrokenExecutor:
            shutil.rmtree(home, ignore_errors=True)
            self._deaths[number] = self._deaths.get(number, 0) + 1
            if self._deaths[number] < DEATHS:
                self._waiting.appendleft(number)
            else:
                self._failures[number] = f"{title}: it crashed {DEATHS} workers"
                self._counting.give_up(number)
            return False
        except OSError as error:
            raise output_error(error, self._shown) from error
        except (InputError, DiskError, StoppedError) as error:
            raise self._as_shown(error, home) from error
        except UnderbowError as error:
            if len(self._jobs) == 1:
                raise self._as_shown(error, home) from error
            message = str(self._as_shown(error, home))
            self._failures[number] = message if message.startswith(title) else f"{title}: {message}"
            shutil.rmtree(home, ignore_errors=True)
            self._counting.give_up(number)
            return False
        return True

    def _as_shown(self, error: UnderbowError, home: Path) -> UnderbowError:
        """Let an error name files as the user will find them."""
        for hidden in (home / FILES, home / GIVEN, home):
            error = shown_as(error, hidden, self._shown)
        return error
