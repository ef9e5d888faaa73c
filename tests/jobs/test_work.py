"""Many jobs: none is lost, none is made twice, and one that fails or kills leaves the others alone."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Future
from pathlib import Path

import pytest

from underbow.errors import UnderbowError
from underbow.files.trouble import DiskError
from underbow.jobs.cache import Cache
from underbow.jobs.gather import Gathered
from underbow.jobs.job import Job
from underbow.jobs.progress import Progress
from underbow.jobs.render import render_sheets
from underbow.jobs.run import FILES, REPORT, StoppedError
from underbow.jobs.work import SomeFailedError, Way, do_jobs

from .sheets import gathered

Outcome = Callable[[Job, int], BaseException | None]


class Pretended:
    """A crew that makes nothing but a note, and fails as it is told; its futures end one step later, the last first."""

    def __init__(self, outcome: Outcome, room: int = 2) -> None:
        self.outcome, self.room, self.tries = outcome, room, {}  # type: ignore[var-annotated]
        self.flying: list[tuple[Future[None], Job, Path]] = []
        self.closed = False

    def has_room(self) -> bool:
        return len(self.flying) < self.room

    def submit(self, job: Job, home: Path, told: Callable[[float], None]) -> Future[None]:
        told(0.5)
        future: Future[None] = Future()
        self.flying.append((future, job, home))
        if len(self.flying) == self.room:
            threading.Timer(0.01, self.end).start()
        else:
            threading.Timer(0.1, self.end).start()
        return future

    def end(self) -> None:
        while self.flying:
            future, job, home = self.flying.pop()
            self.tries[job.title] = self.tries.get(job.title, 0) + 1
            failure = self.outcome(job, self.tries[job.title])
            if failure is not None:
                future.set_exception(failure)
                continue
            (home / FILES).mkdir(parents=True)
            (home / REPORT).write_text(json.dumps({"title": job.title, "stamp": job.stamp, "files": []}))
            future.set_result(None)

    def listen(self) -> None:
        pass

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def jobs(tmp_path: Path) -> Gathered:
    return gathered(tmp_path, 5)


@pytest.fixture
def engage(monkeypatch: pytest.MonkeyPatch) -> Callable[[Outcome], Pretended]:
    def engage(outcome: Outcome) -> Pretended:
        crew = Pretended(outcome)
        monkeypatch.setattr(Way, "crew", lambda self, gathered: crew)
        return crew

    return engage


def titles(jobs: Gathered, folder: Path, way: Way = Way()) -> list[str]:
    folder.mkdir(exist_ok=True)
    return [done.job.title for done in do_jobs(jobs, folder, folder, way)]


def test_a_worker_that_dies_costs_its_job_one_more_try(
    jobs: Gathered, tmp_path: Path, engage: Callable[[Outcome], Pretended]
) -> None:
    crew = engage(lambda job, n: BrokenExecutor() if job.title == "Sheet 1" and n < 3 else None)
    assert sorted(titles(jobs, tmp_path / "w")) == [f"Sheet {i}" for i in range(5)]
    assert crew.tries == {"Sheet 0": 1, "Sheet 1": 3, "Sheet 2": 1, "Sheet 3": 1, "Sheet 4": 1}
    assert crew.closed


def test_a_job_that_kills_three_workers_is_named_and_the_others_finish(
    jobs: Gathered, tmp_path: Path, engage: Callable[[Outcome], Pretended]
) -> None:
    crew = engage(lambda job, n: BrokenExecutor() if job.title == "Sheet 1" else None)
    (tmp_path / "w").mkdir()

    with pytest.raises(SomeFailedError, match=r"^1 of 5 sheets failed: Sheet 1: it crashed 3 workers$"):
        list(do_jobs(jobs, tmp_path / "w", tmp_path, Way()))
    assert sorted(path.name for path in (tmp_path / "w").iterdir()) == ["00000", "00002", "00003", "00004"]
    assert crew.tries["Sheet 1"] == 3


def test_a_sheet_that_fails_by_itself_is_named_and_a_full_disk_ends_all(
    jobs: Gathered, tmp_path: Path, engage: Callable[[Outcome], Pretended]
) -> None:
    engage(lambda job, n: UnderbowError("too much") if job.title in ("Sheet 3", "Sheet 1") else None)
    with pytest.raises(SomeFailedError) as failed:
        titles(jobs, tmp_path / "w")
    assert failed.value.failures == ("Sheet 1: too much", "Sheet 3: too much")
    crew = engage(lambda job, n: DiskError("can't write w/00000/files/a.wav: the disk is full"))
    with pytest.raises(DiskError, match=r"^can't write out/a\.wav"):
        list(do_jobs(jobs, Path("w"), Path("out"), Way(Cache(None))))
    assert len(crew.tries) < 5


def test_what_is_finished_is_taken_from_the_cache_the_next_time(
    jobs: Gathered, tmp_path: Path, engage: Callable[[Outcome], Pretended]
) -> None:
    engage(lambda job, n: UnderbowError("not today") if job.title == "Sheet 2" else None)
    with pytest.raises(SomeFailedError):
        titles(jobs, tmp_path / "w")
    crew = engage(lambda job, n: None)
    assert sorted(titles(jobs, tmp_path / "w2")) == [f"Sheet {i}" for i in range(5)]
    assert crew.tries == {"Sheet 2": 1}
    crew = engage(lambda job, n: None)
    titles(jobs, tmp_path / "w3", Way(Cache(None)))
    assert len(crew.tries) == 5


def test_the_progress_rises_to_the_whole_and_stopping_stops(
    jobs: Gathered, tmp_path: Path, engage: Callable[[Outcome], Pretended]
) -> None:
    engage(lambda job, n: None)
    told: list[Progress] = []
    titles(jobs, tmp_path / "w", Way(Cache(None), progress=told.append))
    shares = [state.share for state in told]
    assert shares == sorted(shares)
    assert (shares[-1], told[-1].finished, told[-1].count) == (pytest.approx(1.0), 5, 5)
    stop = threading.Event()
    crew = engage(lambda job, n: stop.set())  # type: ignore[func-returns-value]
    with pytest.raises(StoppedError):
        titles(jobs, tmp_path / "w2", Way(Cache(None), stop=stop))
    assert crew.closed
    assert len(crew.tries) < 5


def listing(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.skipif(os.name != "posix", reason="a kill that can't be caught is POSIX")
def test_processes_make_the_same_bytes_and_survive_the_death_of_one(tmp_path: Path) -> None:
    jobs = gathered(tmp_path, 3)
    first = [report["title"] for report in render_sheets(jobs, tmp_path / "one", Way(Cache(None)))]
    killed = []

    def kill() -> None:
        end = time.monotonic() + 60
        while not killed and time.monotonic() < end:
            for child in multiprocessing.active_children():
                if child.pid is not None and not killed:
                    time.sleep(0.5)
                    os.kill(child.pid, signal.SIGKILL)
                    killed.append(child.pid)
            time.sleep(0.02)

    killer = threading.Thread(target=kill)
    killer.start()
    second = [report["title"] for report in render_sheets(jobs, tmp_path / "two", Way(Cache(None), workers=2))]
    killer.join()
    assert killed
    assert first == second == ["Sheet 0", "Sheet 1", "Sheet 2"]
    assert listing(tmp_path / "one") == listing(tmp_path / "two")


@pytest.mark.skipif(os.name != "posix", reason="a kill that can't be caught is POSIX")
def test_workers_end_with_the_process_that_began_them(tmp_path: Path) -> None:
    from subprocess import PIPE, Popen  # noqa: PLC0415
    from sys import executable  # noqa: PLC0415

    code = (
        "import sys, time; from pathlib import Path; from underbow.jobs.crew import _Lane\n"
        "if __name__ == '__main__':\n"
        "    lane = _Lane(); print(lane._pool.submit(time.sleep, 0).result(), flush=True)\n"
        "    import multiprocessing as m; print(m.active_children()[0].pid, flush=True); time.sleep(60)\n"
    )
    script = tmp_path / "parent.py"
    script.write_text(code)
    with Popen([executable, str(script)], stdout=PIPE, text=True) as parent:
        assert parent.stdout is not None
        parent.stdout.readline()
        worker = int(parent.stdout.readline())
        parent.kill()
    end = time.monotonic() + 20
    while Path(f"/proc/{worker}").exists() and time.monotonic() < end:
        time.sleep(0.05)
    assert not Path(f"/proc/{worker}").exists()
