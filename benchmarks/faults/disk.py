"""What becomes of a teacher's folder when the disk fails at any step, or the program is killed there.

    python disk.py full     the n-th write, fsync, rename, link, delete, new name fails, for every n (or every k-th)
    python disk.py kill     SIGKILL at every rename, link, fsync, delete, and at random moments

Faults are injected below Python, by shim.c, so that libraries in C and Rust meet them too. Every trial is a fork of one warm
process that runs the command line on a copy of the same folder: an old lesson (or older tracks) that holds two files of the
teacher's, one added, one changed. Afterwards the folder is held against what it was and against a run without faults.
"""

# ruff: noqa: PLC0415  what is faulted is loaded when the shim is there

from __future__ import annotations

import argparse
import ctypes
import errno
import hashlib
import io
import os
import random
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import chdir, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
WRITE, SYNC, RENAME, LINK, DELETE, CREATE = (1 << bit for bit in range(6))
KINDS = {"write": WRITE, "fsync": SYNC, "rename": RENAME, "link": LINK, "delete": DELETE, "new name": CREATE}
KILL = -1
# errno, whether it stays from its step on, and what it befalls: a full disk can always be emptied
ERRORS = {
    "ENOSPC": (errno.ENOSPC, 1, 63 & ~DELETE),
    "EIO": (errno.EIO, 0, 63),
    "EACCES": (errno.EACCES, 0, 63),
}
SHEET = """title = "Short"
abc = '''
X:1
T:Short
M:4/4
L:1/4
K:G
"G"GABc|"D"d2 A2|]
'''
pattern = "saw"
[tempo]
ramp = "steady"
goal = {goal}
passes = 1
count_in = 1
[[mix]]
name = "both"
melody = 0
backup = -6
"""
COMMANDS = {
    "lesson": ["lesson", "new.toml", "-o", "les", "--voices", "builtin", "--again"],
    "render": ["render", "new.toml", "-o", "out", "--voices", "builtin"],
}
Listing = dict[str, str]


def preloaded() -> ctypes.CDLL:
    """Build the shim and begin again with it loaded, unless it is."""
    if "FAULT_ROOT" not in os.environ:
        place = tempfile.mkdtemp(prefix="faults-")
        shim = f"{place}/shim.so"
        subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-o", shim, HERE / "shim.c", "-ldl"], check=True)
        root = f"{place}/root"
        Path(root).mkdir()
        more = {"LD_PRELOAD": shim, "FAULT_ROOT": root, "OPENBLAS_NUM_THREADS": "1", "UNDERBOW_CACHE": f"{root}/cache"}
        os.environ.update(more, TMPDIR=f"{root}/tmp")
        os.execv(sys.executable, [sys.executable, *sys.argv])
    shim = ctypes.CDLL(os.environ["LD_PRELOAD"])
    shim.fault_count.restype = ctypes.c_long
    return shim


def rehearse(place: Path) -> None:
    """Render both sheets in the process that all trials are forked from, so that every stroke of the fiddle is worked out once.

    What a trial is about is files: the strokes are kept in memory, and each trial still writes them to its own cache. (A
    whole lesson can't be rehearsed: the threads of the library that sets it would be missing after a fork.)
    """
    from underbow.cli.boundary import run_and_flush
    from underbow.cli.commands import app
    from underbow.sound.synth import builtin
    from underbow.sound.synth.bowed.fiddle import Fiddle, Stroke
    from underbow.sound.voice.voices import Action

    known: dict[object, dict[Action, Stroke]] = {}

    class Rehearsed(Fiddle):
        def __init__(self, *who: Any) -> None:
            super().__init__(*who)
            self._known = known.setdefault(who, {})

        def many(self, actions: Iterable[Action]) -> Iterator[tuple[Action, Stroke]]:
            wanted = list(actions)
            self._known.update(super().many([action for action in wanted if action not in self._known]))
            return ((action, self._known[action]) for action in wanted)

    builtin.Fiddle = Rehearsed  # type: ignore[misc]
    with chdir(place):
        for sheet in ("old.toml", "new.toml"):
            sys.argv = ["underbow", "render", sheet, "-o", "rehearsed", "--voices", "builtin"]
            with redirect_stdout(io.StringIO()):
                assert run_and_flush(app) == 0
    assert known
    assert threading.active_count() == 1  # a fork takes no thread along


@dataclass(frozen=True)
class Ended:
    """How a run ended: its status (below 0: the signal), what it said on stderr, how many changes it made."""

    status: int
    said: str
    changes: int


class Trials:
    """One command, tried again and again."""

    def __init__(self, shim: ctypes.CDLL, command: str) -> None:
        self.shim, self.command = shim, COMMANDS[command]
        self.target = "les" if command == "lesson" else "out"
        self.root = Path(os.environ["FAULT_ROOT"])
        self.place, self.model = self.root / "work", self.root.parent / f"model-{command}"
        self.cache, self.temporary = self.root / "cache", self.root / "tmp"
        self.prepare()

    def prepare(self) -> None:
        """Make the folder that every trial begins with, and note the old and the new as they are meant to be."""
        old = [("old.toml" if word == "new.toml" else word) for word in self.command]
        self.lay_sheets()
        rehearse(self.place)
        self.lay_sheets()
        assert self.run(old).status == 0
        home = self.place / self.target
        (home / "mine.txt").write_text("mine")
        if self.target == "les":
            (home / "Short.txt").write_text("my own words")
        shutil.copytree(self.place, self.model)
        self.old = self.listing()
        shutil.rmtree(self.cache, ignore_errors=True)
        ended = self.run(self.command)
        assert ended.status == 0, ended
        self.new, self.changes = self.listing(), ended.changes
        assert self.new != self.old

    def lay_sheets(self) -> None:
        self.clear()
        (self.place / "new.toml").write_text(SHEET.format(goal=200))
        (self.place / "old.toml").write_text(SHEET.format(goal=180))

    def clear(self) -> None:
        for path in (self.place, self.cache, self.temporary):
            shutil.rmtree(path, ignore_errors=True)
            path.mkdir()

    def begin(self) -> None:
        """Lay out the folder afresh, with an empty cache."""
        self.clear()
        self.place.rmdir()
        shutil.copytree(self.model, self.place)

    def run(
        self, words: list[str], n: int = 0, code: int = 0, sticky: int = 0, kinds: int = 63, after: float = 0
    ) -> Ended:
        """Run a command line in a fork, its n-th change failing; or kill it after some seconds."""
        heard, counted = self.root.parent / "stderr", self.root.parent / "count"
        counted.write_text("0")
        child = os.fork()
        if child == 0:
            status = 99
            try:
                os.chdir(self.place)
                for stream, name in ((1, "stdout"), (2, "stderr")):
                    os.dup2(os.open(self.root.parent / name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), stream)
                from underbow.cli.boundary import run_and_flush
                from underbow.cli.commands import app

                sys.argv = ["underbow", *words]
                self.shim.fault_arm(n or 1 << 40, code, sticky, kinds)
                status = run_and_flush(app)  # type: ignore[assignment]
                total = self.shim.fault_count()
                self.shim.fault_arm(-1, 0, 0, 0)
                counted.write_text(str(total))
                sys.stderr.flush()
            except BaseException:  # a traceback is what we look for
                self.shim.fault_arm(-1, 0, 0, 0)
                import traceback

                os.write(2, traceback.format_exc().encode())
            os._exit(status if isinstance(status, int) else 98)
        end, state = time.monotonic() + 120, 0
        kill_at = time.monotonic() + after if after else None
        while (done := os.waitpid(child, os.WNOHANG)) == (0, 0):
            if kill_at is not None and time.monotonic() > kill_at:
                os.kill(child, 9)
                kill_at = None
            if time.monotonic() > end:
                os.kill(child, 9)
                return Ended(1000, "hangs", 0)
            time.sleep(0.002)
        state = os.waitstatus_to_exitcode(done[1])
        return Ended(state, heard.read_text(errors="replace"), int(counted.read_text() or 0))

    def listing(self) -> Listing:
        """Digests of all that lies in the folder, without the sheets."""
        paths = [path for path in self.place.rglob("*") if path.is_file() and path.suffix != ".toml"]
        return {p.relative_to(self.place).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in paths}

    def hidden(self) -> list[str]:
        return [path.name for root in (self.place, self.cache, self.temporary) for path in root.rglob("*underbow-*")]


def mended(trials: Trials) -> str:
    """Put right what a dead run left, as every command does first; tell what stands there then."""
    from underbow.files.swap import put_right

    put_right(trials.place)
    if (trials.place / "out").is_dir():
        put_right(trials.place / "out")
    found = trials.listing()
    return "old" if found == trials.old else "new" if found == trials.new else "MIXED"


def full(trials: Trials, errors: list[str], first: int, last: int, every: int) -> Counter[str]:
    """The disk fails: at one step, or (full) from one step on."""
    table: Counter[str] = Counter()
    for name in errors:
        code, sticky, kinds = ERRORS[name]
        trials.begin()
        count = trials.run(trials.command, kinds=kinds).changes
        steps = range(first, min(last, count) + 1, every)
        print(f"  {name} at {len(steps)} of {count} steps, from {first} on", flush=True)
        for n in steps:
            trials.begin()
            ended = trials.run(trials.command, n, code, sticky, kinds)
            lines = [line for line in ended.said.splitlines() if line and "kept from before" not in line]
            problems = []
            if "Traceback" in ended.said or ended.status not in (0, 1, 2):
                problems.append(f"status {ended.status}")
            if len(lines) != (ended.status != 0) or ".underbow-" in ended.said:
                problems.append(f"{len(lines)} lines")
            found = trials.listing()
            visible = {path: digest for path, digest in found.items() if ".underbow-" not in path}
            wanted = trials.new if ended.status == 0 or "is finished" in ended.said else trials.old
            if visible != wanted and mended(trials) not in ("old", "new"):
                problems.append("result damaged")
            state = mended(trials)
            if state == "MIXED":
                problems.append("mixed")
            if trials.hidden():
                problems.append("leftovers")
            table["trials"] += 1
            table[f"status {ended.status}"] += 1
            if problems:
                table["PROBLEMS"] += 1
                print(f"  {name} at {n}: {', '.join(problems)}: {ended.said.strip()[-300:]}", flush=True)
    return table


def kill(trials: Trials, most: int, chance: random.Random) -> Counter[str]:
    """Kill at every rename, link, fsync and delete (or as many of them as asked), and at random moments."""
    table: Counter[str] = Counter()
    marked = RENAME | LINK | SYNC | DELETE
    trials.begin()
    begun = time.monotonic()
    count = trials.run(trials.command, kinds=marked).changes
    length = time.monotonic() - begun
    steps = list(range(1, count + 1))
    if most and len(steps) > most:
        steps = sorted(chance.sample(steps, most))
    moments: list[tuple[int, float]] = [(n, 0.0) for n in steps]
    moments += [(0, chance.uniform(0.01, length)) for _ in range(max(len(steps) // 3, 5))]
    for n, after in moments:
        trials.begin()
        ended = trials.run(trials.command, n, KILL, 0, marked, after)
        state = mended(trials)
        again = trials.run(trials.command)
        problems = [] if state != "MIXED" else ["mixed or damaged"]
        if again.status or trials.listing() != trials.new:
            problems.append(f"the next run: status {again.status}, {again.said.strip()[-200:]}")
        if trials.hidden():
            problems.append(f"leftovers {trials.hidden()[:3]}")
        table["trials"] += 1
        table["killed" if ended.status == -9 else "ended before"] += 1
        table[f"{state} found"] += 1
        if problems:
            table["PROBLEMS"] += 1
            print(f"  at {n or f'{after:.2f} s'}: {', '.join(problems)}", flush=True)
    return table


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("what", choices=("full", "kill"))
    words.add_argument("--every", type=int, default=1, help="full: only every k-th step")
    words.add_argument("--first", type=int, default=1, help="full: from this step on")
    words.add_argument("--last", type=int, default=1 << 30, help="full: up to this step")
    words.add_argument("--errors", default=",".join(ERRORS), help="full: which, with commas")
    words.add_argument("--most", type=int, default=0, help="kill: at most so many steps of each command")
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--command", choices=tuple(COMMANDS))
    asked = words.parse_args()
    shim = preloaded()
    import underbow.cli.commands
    import underbow.jobs.lesson
    import underbow.jobs.render  # noqa: F401

    chance, bad = random.Random(asked.seed), 0
    begun = time.process_time()
    try:
        for command in [asked.command] if asked.command else list(COMMANDS):
            trials = Trials(shim, command)
            print(f"{command}: {trials.changes} changes of the file system in a run without faults", flush=True)
            if asked.what == "full":
                table = full(trials, asked.errors.split(","), asked.first, asked.last, asked.every)
            else:
                table = kill(trials, asked.most, chance)
            print(f"{command}: " + ", ".join(f"{count} {what}" for what, count in sorted(table.items())), flush=True)
            bad += table["PROBLEMS"]
            shutil.rmtree(trials.model)
    finally:
        shutil.rmtree(Path(os.environ["FAULT_ROOT"]).parent, ignore_errors=True)
    used = sum(os.times()[:4])
    print(f"{bad} problems; {used:.0f} s of CPU, {time.process_time() - begun:.0f} of them in the parent")
    return bad > 0


if __name__ == "__main__":
    raise SystemExit(main())
