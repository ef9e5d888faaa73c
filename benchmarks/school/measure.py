"""A school's many sheets: how fast, in how much memory, and what a killed worker or a stopped run costs.

python measure.py compare --sheets 200     one process, two processes, a dask scheduler with two workers: equal files
python measure.py kill --sheets 100        a worker is killed every few seconds, then the scheduler
python measure.py stop --sheets 50         stopped at a random moment, ten times: what going on costs
python measure.py book BOOK.abc ...        a tunebook to a course
"""

from __future__ import annotations

import argparse
import os
import random
import re
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from runs import Run, cluster, cpu_of, digest, run, workers_of
from sheets import copy_tunes, write_sheets

QUICK = ["--voices", "builtin"]
TEMPLATE = """[tempo]
ramp = "steady"
goal = {goal}
passes = 1
count_in = 1
[[mix]]
name = "backup turn"
melody = 0
backup = -6
click = -9
"""


def cache_of(place: Path, name: str, before: Path) -> Path:
    """Begin a cache in which no job is, but every stroke that was computed before: what is measured is the jobs."""
    shutil.copytree(before / "strokes", place / name / "strokes")
    return place / name


def sheets(place: Path, count: int, bars: int = 8) -> list[Path]:
    copy_tunes(place / "sheets")
    return write_sheets(place / "sheets", count, bars=bars)


def told(name: str, ended: Run, more: str = "") -> None:
    figures = f"{ended.wall:.1f} s, CPU {ended.cpu:.1f} s, main process {ended.megabytes:.0f} MB, status {ended.status}"
    print(f"{name}: {figures}{more}", flush=True)


def compare(place: Path, count: int, rounds: int) -> bool:
    """One process, two, and a cluster of two, several times in turn; digests of everything must be the same."""
    paths = sheets(place, count)
    print(
        f"{len(paths)} sheets; {os.cpu_count()} cores; load of others at the beginning {os.getloadavg()[0]:.1f}",
        flush=True,
    )
    found: set[str] = set()
    runs: dict[str, list[Run]] = {"one": [], "two": [], "dask": []}
    plain = ["render", *map(str, paths), *QUICK, "--no-cache"]
    with cluster(place / "dask", 28_786) as (address, _, workers):
        time.sleep(5)
        for turn in range(rounds):
            ways = {"one": ["--workers", "0"], "two": ["--workers", "2"], "dask": ["--cluster", address]}
            for name, words in ways.items():
                out = place / f"out-{name}"
                before = sum(cpu_of(process) for worker in workers for process in [worker.pid, *workers_of(worker.pid)])
                ended = run([*plain, "-o", out, *words], place / "cache")
                after = sum(cpu_of(process) for worker in workers for process in [worker.pid, *workers_of(worker.pid)])
                told(f"{turn + 1}. {name}", ended, f", workers' CPU {after - before:.1f} s" if name == "dask" else "")
                runs[name].append(ended)
                found.add(digest(out))
                shutil.rmtree(out)
    some = [*plain[: 1 + len(paths) // 4], *QUICK, "--no-cache", "-o", place / "quarter", "--workers", "2"]
    told("a quarter of the sheets, two processes", run(some, place / "cache"))
    middle = {name: sorted(ended.wall for ended in ended_ones)[rounds // 2] for name, ended_ones in runs.items()}
    for name in ("two", "dask"):
        print(f"{name}: {middle['one'] / middle[name]:.2f} times as fast as one process")
    one, two = runs["one"][0], runs["two"][0]
    print(f"work that one process does, to half of what two do: {one.cpu / (two.cpu / 2):.2f}")
    print(f"digests: {'equal' if len(found) == 1 else found}")
    return len(found) == 1


def killing(parents: list[int], seconds: float, chance: random.Random, killed: list[int]) -> Callable[[int], None]:
    """Kill a worker below these processes (or below the run's own) every so many seconds."""
    last = [time.monotonic()]

    def meanwhile(process: int) -> None:
        if time.monotonic() - last[0] > seconds:
            last[0] = time.monotonic()
            found = [worker for parent in (parents or [process]) for worker in workers_of(parent)]
            if found:
                killed.append(chance.choice(found))
                with suppress(OSError):
                    os.kill(killed[-1], signal.SIGKILL)

    return meanwhile


def kill(place: Path, count: int, seconds: float, chance: random.Random) -> bool:
    """Kill a worker every few seconds, in the pool and on dask; then the scheduler; the next run completes."""
    plain = ["render", *map(str, sheets(place, count)), *QUICK]
    first = place / "cache"
    run([*plain, "-o", place / "strokes", "--workers", "2"], first)
    wanted = run([*plain, "-o", place / "wanted", "--workers", "2"], cache_of(place, "wanted-cache", first))
    told("undisturbed", wanted)
    expected, good = digest(place / "wanted"), wanted.status == 0
    killed: list[int] = []
    words = [*plain, "-o", place / "pool", "--workers", "2"]
    cache = cache_of(place, "pool-cache", first)
    ended = run(words, cache, meanwhile=killing([], seconds, chance, killed))
    told("pool", ended, f", {len(killed)} workers killed; {ended.summary}")
    good &= complete(words, place / "pool", cache, ended, expected)
    killed.clear()
    with cluster(place / "dask", 28_787) as (address, _, workers):
        time.sleep(5)
        words = [*plain, "-o", place / "far", "--cluster", address]
        parents = [worker.pid for worker in workers]
        cache = cache_of(place, "far-cache", first)
        ended = run(words, cache, meanwhile=killing(parents, seconds, chance, killed))
        told("dask", ended, f", {len(killed)} workers killed; {ended.summary}")
        good &= complete(words, place / "far", cache, ended, expected)
    kept = cache_of(place, "kept", first)
    with cluster(place / "dask2", 28_788) as (address, scheduler, _):
        time.sleep(5)
        begun = time.monotonic()

        def end_it(_process: int) -> None:
            if time.monotonic() - begun > 0.5 * wanted.wall and scheduler.poll() is None:
                scheduler.kill()

        ended = run([*plain, "-o", place / "cut", "--cluster", address], kept, meanwhile=end_it)
        told("the scheduler killed", ended, f"; {ended.said.strip().splitlines()[-1]}")
        good &= ended.status == 1 and not list((place / "cut").glob(".underbow*"))
    ended = run([*plain, "-o", place / "cut", "--workers", "2"], kept)
    told("the next run", ended, f"; {ended.summary}")
    return good & check(place / "cut", ended, expected)


def complete(words: list[str | Path], out: Path, cache: Path, ended: Run, expected: str) -> bool:
    """Whether all sheets are finished or named, nothing is half, and where some were named the next run finishes them."""
    if ended.status == 1 and "sheets failed: " in ended.said and not list(out.glob(".underbow*")):
        ended = run(words, cache)
        told("  the next run", ended, f"; {ended.summary}")
    return check(out, ended, expected)


def check(out: Path, ended: Run, expected: str) -> bool:
    good = ended.status == 0 and digest(out) == expected and not list(out.glob(".underbow*"))
    print(f"  {'all files as undisturbed, nothing half' if good else 'PROBLEM'}", flush=True)
    return good


def stop(place: Path, count: int, times: int, chance: random.Random) -> bool:
    """Kill a lesson at a random moment, again and again: going on makes only what wasn't finished."""
    words = ["lesson", *map(str, sheets(place, count, bars=4)), *QUICK, "--workers", "2", "--zip", "none"]
    run([*words, "-o", place / "strokes"], place / "strokes-cache")
    whole = run([*words, "-o", place / "whole"], cache_of(place, "whole-cache", place / "strokes-cache"))
    told("undisturbed", whole)
    expected, good = digest(place / "whole"), whole.status == 0
    for number in range(times):
        cache, moment = cache_of(place, f"cache-{number}", place / "whole-cache"), chance.uniform(0.2, 0.9) * whole.wall
        begun = time.monotonic()

        def end_it(process: int, begun: float = begun, moment: float = moment) -> None:
            if time.monotonic() - begun > moment:
                with suppress(OSError):
                    os.kill(process, signal.SIGKILL)

        run([*words, "-o", place / "stopped", "--again"], cache, meanwhile=end_it)
        finished = len([entry for entry in (cache / "jobs").glob("*") if len(entry.name) == 64])
        ended = run([*words, "-o", place / "stopped", "--again"], cache)
        made = re.search(r"(\d+) made(?! before)", ended.summary)
        again = int(made[1]) if made else 0
        fine = ended.status == 0 and again == count - finished and digest(place / "stopped") == expected
        good &= fine and not list(place.glob(".underbow*"))
        cost = f"{again} made by the next run, {ended.cpu:.1f} s of CPU (all: {whole.cpu:.1f})"
        print(f"killed after {moment:.1f} s with {finished} finished: {cost}{'' if fine else ' PROBLEM'}", flush=True)
        shutil.rmtree(place / "stopped")
        shutil.rmtree(cache)
    return good


def book(place: Path, books: list[Path], goal: int) -> bool:
    """A course of every tune in some books."""
    template, course = place / "template.toml", place / "course"
    template.write_text(TEMPLATE.format(goal=goal))
    words = ["lesson", *books, "-o", course, *QUICK, "--template", template, "--workers", "2", "--title", "A course"]
    ended = run([*words, "--zip", "none"], place / "cache")
    told("course", ended, f"; {ended.summary}")
    print("\n".join(line for line in ended.said.splitlines() if "left out" in line))
    size = sum(path.stat().st_size for path in course.rglob("*") if path.is_file())
    tunes = sum(path.is_dir() for path in course.iterdir())
    contents = (course / "index.html").stat().st_size
    print(f"{tunes} tunes, {size / 1e6:.0f} MB, page of contents {contents / 1e3:.0f} kB", flush=True)
    again = run([*words, "--zip", "none", "--again"], place / "cache")
    told("again, nothing changed", again, f"; {again.summary}")
    return ended.status == again.status == 0


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("what", choices=("compare", "kill", "stop", "book"))
    words.add_argument("books", nargs="*", type=Path)
    words.add_argument("--sheets", type=int, default=20)
    words.add_argument("--rounds", type=int, default=1)
    words.add_argument("--times", type=int, default=10, help="stop: so many kills")
    words.add_argument("--every", type=float, default=5.0, help="kill: seconds between two kills")
    words.add_argument("--goal", type=int, default=120, help="book: the tempo")
    words.add_argument("--seed", type=int, default=18)
    asked = words.parse_args()
    chance = random.Random(asked.seed)
    with tempfile.TemporaryDirectory(prefix="school-") as name:
        place = Path(name)
        if asked.what == "compare":
            good = compare(place, asked.sheets, asked.rounds)
        elif asked.what == "kill":
            good = kill(place, asked.sheets, asked.every, chance)
        elif asked.what == "stop":
            good = stop(place, asked.sheets, asked.times, chance)
        else:
            good = book(place, asked.books, asked.goal)
    print("fine" if good else "PROBLEMS")
    return not good


if __name__ == "__main__":
    sys.exit(main())
