"""Runs of the command line, watched from outside: wall and CPU time, memory of the main process, workers to be killed."""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

Process = subprocess.Popen[bytes]
UNDERBOW = [sys.executable, "-m", "underbow"]


@dataclass(frozen=True)
class Run:
    """A run that ended: status, seconds, CPU seconds with its processes, highest memory of the main one, what it said."""

    status: int
    wall: float
    cpu: float
    megabytes: float
    said: str

    @property
    def summary(self) -> str:
        """The last line on what became of the sheets."""
        return next((line for line in reversed(self.said.splitlines()) if " sheets " in line), self.said[-300:])


def run(words: Sequence[str | Path], cache: Path, *, meanwhile: Callable[[int], None] | None = None) -> Run:
    """Run ``underbow``; call ``meanwhile`` with its process number every 50 ms."""
    log = cache.with_suffix(".log")
    begun, before = time.monotonic(), os.times()
    with log.open("w") as said:
        child = subprocess.Popen(
            [*UNDERBOW, *map(str, words)], stdout=subprocess.DEVNULL, stderr=said,
            env=os.environ | {"UNDERBOW_CACHE": str(cache)},
        )  # fmt: skip
        highest = 0.0
        while child.poll() is None:
            highest = max(highest, memory(child.pid))
            if meanwhile is not None:
                meanwhile(child.pid)
            time.sleep(0.05)
    after = os.times()
    cpu = after.children_user + after.children_system - before.children_user - before.children_system
    return Run(child.returncode, time.monotonic() - begun, cpu, highest, log.read_text(errors="replace"))


def memory(process: int) -> float:
    """Highest memory of a process so far, in MB."""
    with suppress(OSError):
        for line in Path(f"/proc/{process}/status").read_text().splitlines():
            if line.startswith("VmHWM"):
                return int(line.split()[1]) / 1000
    return 0.0


def cpu_of(process: int) -> float:
    """CPU seconds of a process and its waited-for children."""
    with suppress(OSError):
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
        return sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")
    return 0.0


def children(process: int) -> list[int]:
    """Processes that a process began."""
    found = []
    for task in Path(f"/proc/{process}/task").glob("*"):
        with suppress(OSError):
            found += [int(number) for number in (task / "children").read_text().split()]
    return found


def workers_of(process: int) -> list[int]:
    """Worker processes below a process, at any depth."""
    found = []
    for child in children(process):
        with suppress(OSError):
            if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes():
                found.append(child)
        found += workers_of(child)
    return found


def digest(folder: Path) -> str:
    """One digest of all files in a folder and their names."""
    found = hashlib.sha256()
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        found.update(path.relative_to(folder).as_posix().encode() + hashlib.sha256(path.read_bytes()).digest())
    return found.hexdigest()[:16]


@contextmanager
def cluster(
    place: Path, port: int, count: int = 2
) -> Iterator[tuple[str, subprocess.Popen[bytes], list[subprocess.Popen[bytes]]]]:
    """Begin a scheduler and workers of one thread each on this machine."""
    place.mkdir(parents=True, exist_ok=True)
    address = f"tcp://127.0.0.1:{port}"
    dask = str(Path(sys.executable).with_name("dask"))
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    scheduler = subprocess.Popen(
        [dask, "scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"], **quiet
    )
    environment = {**os.environ, "OPENBLAS_CORETYPE": "Haswell"}  # as the command line has it
    workers = []
    try:
        time.sleep(3)
        for number in range(count):
            options = ["--nthreads", "1", "--no-dashboard", "--local-directory", str(place / str(number))]
            workers.append(subprocess.Popen([dask, "worker", address, *options], env=environment, **quiet))
        yield address, scheduler, workers
    finally:
        for process in (*workers, scheduler):
            with suppress(OSError):
                process.send_signal(signal.SIGTERM)
        for process in (*workers, scheduler):
            with suppress(subprocess.TimeoutExpired):
                process.wait(20)
