"""How far the work is, and how long it will take."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from underbow.jobs.job import Job

__all__ = ["Counting", "Progress", "Told"]


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the work is.

    Parameters
    ----------
    title : str
        What is being made.
    finished, kept, failed, count : int
        Sheets: finished, of these found in the cache, given up, in all.
    share : float
        Of all the work, 0 to 1.
    left : float or None
        Seconds that the rest will take, as far as can be told.
    """

    title: str
    finished: int
    kept: int
    failed: int
    count: int
    share: float
    left: float | None


Told = Callable[[Progress], None]


class Counting:
    """Counts what is done of several jobs, each by the length of its tracks.

    Parameters
    ----------
    jobs : sequence of Job
    told : callable or None
        Called with every step.
    """

    def __init__(self, jobs: Sequence[Job], told: Told | None) -> None:
        self._weights = [max(job.seconds * job.tracks, 1.0) for job in jobs]
        self._titles = [job.title for job in jobs]
        self._total, self._told = sum(self._weights), told
        self._shares: dict[int, float] = {}  # of the jobs at work
        self._whole = self._given = 0.0  # weight of what is finished; of that, what cost nothing
        self._finished = self._kept = self._failed = 0
        self._title = ""
        self._begun = time.monotonic()

    def step(self, number: int, share: float) -> None:
        """Note the share of a job that is done."""
        self._shares[number], self._title = share, self._titles[number]
        self._tell()

    def finish(self, number: int, *, kept: bool = False) -> None:
        """Note that a job is finished, or was found in the cache."""
        self._finished, self._kept = self._finished + 1, self._kept + kept
        self._leave(number, free=kept)

    def give_up(self, number: int) -> None:
        """Note that a job failed for good."""
        self._failed += 1
        self._leave(number, free=True)

    def _leave(self, number: int, *, free: bool) -> None:
        self._shares.pop(number, None)
        self._whole += self._weights[number]
        self._given += self._weights[number] if free else 0.0
        self._title = self._titles[number]
        self._tell()

    def _tell(self) -> None:
        if self._told is None:
            return
        done = self._whole + sum(share * self._weights[number] for number, share in self._shares.items())
        worked, elapsed = done - self._given, time.monotonic() - self._begun
        left = elapsed * (self._total - done) / worked if worked > 0 and elapsed > 1 else None
        counts = (self._finished, self._kept, self._failed, len(self._weights))
        self._told(Progress(self._title, *counts, min(done / self._total, 1.0), left))
