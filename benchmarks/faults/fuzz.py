"""Fuzz every reader and every bank: no traceback, no hang, no native crash, and what was read comes back as it was.

    python benchmarks/faults/fuzz.py --inputs 1000000 --banks 20000 --seed 1    # the long run
    python benchmarks/faults/fuzz.py --inputs 2000 --banks 20                   # a few seconds
    python benchmarks/faults/fuzz.py --kinds midi=1000,musicxml=1000 --banks 0  # so many of each, whatever its share
    python benchmarks/faults/fuzz.py --case abc:1:4711                          # one input again, shown

Inputs are made by their kind, the seed and their number, so that each can be made again. They run in forked workers, some
hundred each; a worker that dies is a native crash. An input that takes more CPU time than LIMIT is a hang.
"""

# ruff: noqa: E501, PLC0415  pieces in rows; large libraries where they are used

from __future__ import annotations

import argparse
import ast
import json
import mmap
import os
import random
import resource
import signal
import sys
import time
import traceback
from collections import Counter
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

sys.path.append(str(Path(__file__).parent))
import banks
import kinds

from underbow.errors import InputError, UnderbowError

if TYPE_CHECKING:
    from coverage.results import Analysis

LIMIT = 10.0  # CPU seconds for one input
CHUNK = 250  # inputs of a worker
MEMORY = 3 << 30


class HangError(BaseException):
    """Raised where an input takes too long."""


def _hang(_number: int, _frame: FrameType | None) -> None:
    raise HangError


def outcome(name: str, seed: int, number: int) -> tuple[str, str]:
    """Make an input, use it, and say how it ended and, where that is a fault, what was wrong."""
    kind = kinds.KINDS[name]
    chance = random.Random(f"{name}:{seed}:{number}")
    try:
        data = kind.make(chance)
    except Exception:  # the mutator's own fault, such as a file that mido can't write
        return "not made", ""
    signal.setitimer(signal.ITIMER_VIRTUAL, LIMIT)
    try:
        return ("accepted" if kind.drive(data, chance) else "refused"), ""
    except (InputError, UnderbowError) as error:
        if not str(error).replace("\n", "").isprintable():
            return "unequal", f"a line that a terminal obeys: {str(error)[:200]!r}"
        return "refused", ""
    except kinds.UnequalError as error:
        return "unequal", str(error)[:300]
    except kinds.NearlyError:
        return "nearly", ""
    except HangError:
        return "hang", f"more than {LIMIT} s of CPU time"
    except BaseException:
        return "traceback", "".join(traceback.format_exc().splitlines(keepends=True)[-4:])[-500:]
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)


def chunk(name: str, seed: int, numbers: range) -> tuple[Counter[str], list[str], float, float]:
    """Run some inputs in a forked worker: outcomes, faults, CPU seconds, and the slowest input's."""
    at = mmap.mmap(-1, 8)
    read, write = os.pipe()
    worker = os.fork()
    if worker == 0:
        os.close(read)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        counts: Counter[str] = Counter()
        faults: list[str] = []
        slowest, begun = 0.0, time.process_time()
        for number in numbers:
            at[:8] = number.to_bytes(8, "little")
            before = time.process_time()
            how, what = outcome(name, seed, number)
            slowest = max(slowest, time.process_time() - before)
            counts[how] += 1
            if what:
                faults.append(f"{name}:{seed}:{number}: {how}: {what}")
        with os.fdopen(write, "w") as out:
            json.dump([counts, faults[:20], time.process_time() - begun, slowest], out)
        os._exit(0)
    os.close(write)
    with os.fdopen(read) as answer:
        said = answer.read()
    _, status = os.waitpid(worker, 0)
    if not said or status:
        number = int.from_bytes(at[:8], "little")
        done = Counter({"accepted": number - numbers.start, "native crash": 1})
        return done, [f"{name}:{seed}:{number}: the worker died with status {status}"], 0.0, 0.0
    counts_, faults_, took, slowest_ = json.loads(said)
    return Counter(counts_), faults_, took, slowest_


def run(wanted: dict[str, int], seed: int, seconds: float) -> list[str]:
    """Fuzz the readers, each with so many inputs, all kinds in turn; print a row each."""
    names = list(wanted)
    totals: dict[str, Counter[str]] = {name: Counter() for name in names}
    took, slowest = dict.fromkeys(names, 0.0), dict.fromkeys(names, 0.0)
    done = dict.fromkeys(names, 0)
    faults: list[str] = []
    begun = time.monotonic()
    rounds = max(-(-count // CHUNK) for count in wanted.values())
    stopped: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _: stopped.append(number))
    for turn in range(rounds):  # so that a run that is cut short has something of each
        for name in names:
            size = -(-wanted[name] // rounds)
            numbers = range(turn * size, min((turn + 1) * size, wanted[name]))
            if not numbers or stopped or (seconds and time.monotonic() - begun > seconds):
                continue
            counts, wrong, cpu, worst = chunk(name, seed, numbers)
            totals[name] += counts
            faults += wrong
            took[name] += cpu
            slowest[name] = max(slowest[name], worst)
            done[name] += sum(counts.values()) - counts["not made"]
            for line in wrong:
                print(line, file=sys.stderr, flush=True)
    print(
        "| reader | inputs | accepted | tracebacks | hangs | native crashes | not equal | nearly | ms each | slowest, s |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|")
    for name in names:
        its, count = totals[name], max(done[name], 1)
        print(
            f"| {name} | {done[name]:,} | {100 * its['accepted'] / count:.0f} % | {its['traceback']} | {its['hang']} "
            f"| {its['native crash']} | {its['unequal']} | {its['nearly']} | {1000 * took[name] / count:.2f} | {slowest[name]:.2f} |"
        )
    print(f"{sum(done.values()):,} inputs, {sum(took.values()):.0f} s of CPU time, seed {seed}", flush=True)
    return faults


def coverage(wanted: dict[str, int], seed: int) -> None:
    """Say how much of each reader's code some inputs reach, lines and branches together."""
    import coverage as meter

    print("| reader | inputs | lines and branches reached | least reached |")
    print("|---|---|---|---|")
    for name, asked in wanted.items():
        source = [str(kinds.ROOT / "src/underbow" / code) for code in kinds.KINDS[name].code]
        cover = meter.Coverage(include=source, branch=True, data_file=None, messages=False)
        cover.start()
        count = max(asked, 300)
        for number in range(count):
            outcome(name, seed, number)
        cover.stop()
        found = {Path(path).name: reached(cover._analyze(path), Path(path)) for path in source if Path(path).exists()}
        done, all_ = (sum(counts) for counts in zip(*found.values(), strict=True))
        least = min(found, key=lambda file: found[file][0] / max(found[file][1], 1))
        share = 100 * found[least][0] / max(found[least][1], 1)
        print(f"| {name} | {count:,} | {100 * done / all_:.0f} % of {all_} | {least} {share:.0f} % |", flush=True)


def reached(found: Analysis, path: Path) -> tuple[int, int]:
    """Count the lines and branches in a module's functions that were reached, and all of them: what stands outside ran before."""
    inside = {
        line
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.FunctionDef)
        for line in range(node.body[0].lineno, (node.end_lineno or node.lineno) + 1)
    }
    lines, missed = inside & found.statements, inside & found.missing
    branches = [counts for line, counts in found.branch_stats().items() if line in inside]
    return len(lines) - len(missed) + sum(taken for _, taken in branches), len(lines) + sum(
        both for both, _ in branches
    )


def again(case: str) -> None:
    """Make one input again and show it with its outcome."""
    name, seed, number = case.split(":")
    data = kinds.KINDS[name].make(random.Random(f"{name}:{seed}:{number}"))
    sys.stdout.write(data if isinstance(data, str) else repr(data))
    print("\n", *outcome(name, int(seed), int(number)), sep="\n")


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--inputs", type=int, default=2000)
    words.add_argument("--banks", type=int, default=20)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument(
        "--kinds", default=",".join(kinds.KINDS), help="readers, with commas; NAME=COUNT: so many inputs of it"
    )
    words.add_argument("--seconds", type=float, default=0, help="stop the readers after so many seconds")
    words.add_argument("--coverage", action="store_true", help="say what is reached instead")
    words.add_argument("--case", help="KIND:SEED:NUMBER, made again and shown")
    asked = words.parse_args()
    signal.signal(signal.SIGVTALRM, _hang)
    wanted = {}
    for name, _, count in (word.partition("=") for word in asked.kinds.split(",") if word):
        wanted[name] = int(count) if count else max(round(asked.inputs * kinds.KINDS[name].share), 20)
    faults = banks.run(asked.banks, asked.seed) if asked.banks and not (asked.case or asked.coverage) else []
    if asked.case or asked.coverage or asked.inputs:
        kinds.warm_up()
    if asked.case:
        again(asked.case)
        return 0
    if asked.coverage:
        coverage(wanted, asked.seed)
        return 0
    if asked.inputs:
        faults += run(wanted, asked.seed, asked.seconds)
    return len(faults) > 0


if __name__ == "__main__":
    sys.exit(main())
