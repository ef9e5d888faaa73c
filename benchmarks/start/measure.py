"""How long a command takes to answer: CPU time of the whole process, beside ``underbow --help`` in the same run.

    python benchmarks/start/measure.py [--rounds 25] [--other ../older/src]

The commands take turns, so that what disturbs the machine disturbs them alike. ``--other`` names the ``src`` folder of another
version, whose commands take their turns in the same run.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
LINES = {
    "--help": ["--help"],
    "patterns": ["patterns"],
    "shapes G C D7": ["shapes", "G", "C", "D7"],
    "tune gateposts.abc": ["tune", str(ROOT / "tracks/gateposts.abc")],
    "check gateposts.toml": ["check", str(ROOT / "tracks/gateposts.toml")],
}
START = "import sys; sys.path.insert(0, sys.argv.pop(1)); from underbow.cli import main; main()"


def cpu(command: list[str], environment: dict[str, str]) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=environment)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=25)
    parser.add_argument("--other", type=Path)
    asked = parser.parse_args()
    versions = {"": ROOT / "src"} | ({"other: ": asked.other.resolve()} if asked.other else {})
    python = [sys.executable, "-c"]
    commands = {"bare Python": [*python, "pass"]} | {
        f"{version}{name}": [*python, START, str(source), *words]
        for version, source in versions.items()
        for name, words in LINES.items()
    }
    times: dict[str, list[float]] = {name: [] for name in commands}
    with tempfile.TemporaryDirectory() as compiled:
        # Modules are compiled once, in the first round, as they are for everybody who has called a command before.
        environment = {**os.environ, "PYTHONPYCACHEPREFIX": compiled, "PYTHONDONTWRITEBYTECODE": ""}
        for number in range(asked.rounds + 1):
            for name, command in commands.items():
                taken = cpu(command, environment)
                if number:
                    times[name].append(taken)
    least = min(times["--help"])
    middle = statistics.median(times["--help"])
    print(f"{'':<28} {'least ms':>8}  of --help  {'median ms':>9}  of --help")
    for name, taken in times.items():
        low, median = min(taken), statistics.median(taken)
        print(f"{name:<28} {1000 * low:>8.0f} {low / least:>10.2f} {1000 * median:>10.0f} {median / middle:>10.2f}")


if __name__ == "__main__":
    main()
