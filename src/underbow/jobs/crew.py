"""Who does the jobs: this process, processes beside it, or (in ``cluster.py``) other machines."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Protocol

from underbow.jobs.job import Job
from underbow.jobs.run import run_job

__all__ = ["Crew", "Processes", "ThisProcess", "usual_workers"]

Told = Callable[[float], None]
_OFTEN = 0.25  # seconds between two words of a worker on how far it is


class Crew(Protocol):
    """Does jobs. Whatever happens to a worker, only its own job's future fails, with ``BrokenExecutor``."""

    def has_room(self) -> bool:
        """Whether another job may be given now."""

    def submit(self, job: Job, home: Path, tell: Told) -> Future[None]:
        """Have a job done in a folder of its own; ``told`` is called, from :meth:`listen` or before, with the share done."""

    def listen(self) -> None:
        """Pass on what workers told; raise UnderbowError where all of them are out of reach."""

    def close(self) -> None:
        """End; what is still being done is broken off."""


def usual_workers(sheets: int) -> int:
    """Give the number of processes for so many sheets: one a core, and none but this one for a single sheet."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(cores, sheets) if sheets > 1 else 0


@dataclass(frozen=True, slots=True)
class ThisProcess:
    """Does jobs here, one after another."""

    places: Mapping[str, Path]
    stop: threading.Event | None = None

    def has_room(self) -> bool:
        """Always: a job is done when it is given."""
        return True

    def submit(self, job: Job, home: Path, tell: Told) -> Future[None]:
        """Do a job."""
        future: Future[None] = Future()
        try:
            run_job(job, home, places=self.places, progress=tell, stop=self.stop)
            future.set_result(None)
        except Exception as error:  # raised again by whoever asks for the result
            future.set_exception(error)
        return future

    def listen(self) -> None:
        """Nothing is left to pass on."""

    def close(self) -> None:
        """Nothing is left to end."""


class Processes:
    """Does jobs in so many processes, each a pool of its own, so that a death is always known to be whose.

    They are started afresh on every system (``spawn``), and end with this process however it ends.

    Parameters
    ----------
    count : int
    places : mapping of str to Path
        Where SoundFonts lie, by their digests.
    """

    def __init__(self, count: int, places: Mapping[str, Path]) -> None:
        self._places = dict(places)
        self._lanes: list[_Lane | None] = [None] * count

    def has_room(self) -> bool:
        """Whether a process has nothing to do, or is still to be started."""
        return any(lane is None or lane.is_free() for lane in self._lanes)

    def submit(self, job: Job, home: Path, tell: Told) -> Future[None]:
        """Give a job to a process that has nothing to do."""
        number = next(i for i, lane in enumerate(self._lanes) if lane is None or lane.is_free())
        lane = self._lanes[number]
        if lane is None or lane.is_broken():
            if lane is not None:
                lane.close()
            lane = self._lanes[number] = _Lane()
        return lane.submit(job, home, self._places, tell)

    def listen(self) -> None:
        """Pass on how far each is."""
        for lane in self._lanes:
            if lane is not None:
                lane.listen()

    def close(self) -> None:
        """End all processes at once."""
        for lane in self._lanes:
            if lane is not None:
                lane.close()


class _Lane:
    """One process, and the pipes to it: one on which it tells how far it is, one whose end is its own."""

    def __init__(self) -> None:
        context = get_context("spawn")
        self._heard, telling = context.Pipe(duplex=False)
        listening, self._life = context.Pipe(duplex=False)
        self._pool = ProcessPoolExecutor(1, context, _begin, (telling, listening))
        self._handed = (telling, listening)  # until the process has them
        self._future: Future[None] | None = None
        self._told: Told = lambda share: None

    def is_free(self) -> bool:
        return self._future is None or self._future.done()

    def is_broken(self) -> bool:
        return self._future is not None and self._future.done() and self._pool_broken()

    def _pool_broken(self) -> bool:
        from concurrent.futures.process import BrokenProcessPool  # noqa: PLC0415

        assert self._future is not None  # noqa: S101  asked by is_broken
        return isinstance(self._future.exception(), BrokenProcessPool)

    def submit(self, job: Job, home: Path, places: Mapping[str, Path], tell: Told) -> Future[None]:
        self._told = tell
        self._future = self._pool.submit(_do, job, home, places)
        return self._future

    def listen(self) -> None:
        try:
            while self._heard.poll():
                self._told(self._heard.recv())
        except (EOFError, OSError):  # the process is dead: its future tells
            pass

    def close(self) -> None:
        for end in (self._life, self._heard, *self._handed):
            end.close()
        self._pool.shutdown(wait=False, cancel_futures=True)


_telling: Connection | None = None  # of a worker process: where it tells how far it is


def _begin(telling: Connection, life: Connection) -> None:
    """Begin as a worker: leave Ctrl-C to the process above, and don't outlive it."""
    global _telling  # noqa: PLW0603  a process has one
    _telling = telling
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with, args=(life,), daemon=True).start()


def _end_with(life: Connection) -> None:
    try:
        life.recv()
    except (EOFError, OSError):
        os._exit(1)


def _do(job: Job, home: Path, places: Mapping[str, Path]) -> None:
    last = 0.0

    def told(share: float) -> None:
        nonlocal last
        now = time.monotonic()
        if _telling is not None and now - last > _OFTEN:
            last = now
            _telling.send(share)

    run_job(job, home, places=places, progress=told)
