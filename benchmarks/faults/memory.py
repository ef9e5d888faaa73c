"""Little memory: commands under a limit on their address space, from too little to begin with to enough. Linux and macOS.

    python benchmarks/faults/memory.py [--step 10]

Each ends within the time, does its work with status 0, or says in one line that starts with ``underbow:`` what it lacks.
(Below some 60 MB Python itself does not start; where a library ends the program, the witness says which step it was in.)
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[2]
SHEET = ROOT / "src/underbow/cli/starter/first-track.toml"
COMMANDS = {
    "check": ["check", str(SHEET)],
    "tune": ["tune", str(ROOT / "tracks/lamplight.abc")],
    "render": ["render", str(SHEET), "--mix", "together", "-o", "{}/out"],
    "lesson": ["lesson", str(SHEET), "-o", "{}/les"],
}


def run(words: list[str], megabytes: int, seconds: int) -> tuple[str, str]:
    """Run a command within so much address space; how it ended, and its last line."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (megabytes << 20, megabytes << 20))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))

    with tempfile.TemporaryDirectory() as folder:
        line = [sys.executable, "-m", "underbow", *(word.format(folder) for word in words)]
        try:
            done = subprocess.run(line, capture_output=True, text=True, check=False, timeout=seconds, preexec_fn=limit)
        except subprocess.TimeoutExpired:
            return "hang", ""
        left = [str(path) for path in Path(folder).rglob("*") if path.name.startswith(".underbow")]
    last = (done.stderr.splitlines() or [""])[-1]
    if "ended without a word" in done.stderr:
        return "told by the witness", last
    if "Traceback" in done.stderr:
        return ("before us" if "underbow/cli/boundary" not in done.stderr else "traceback"), done.stderr[-600:]
    if done.returncode == 0:
        return "done", last
    if left:
        return "left files", str(left)
    return ("one line" if last.startswith("underbow: ") else "before us"), last


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--step", type=int, default=25, help="megabytes between two limits")
    words.add_argument("--seconds", type=int, default=900)
    asked = words.parse_args()
    wrong = 0
    print(
        "| command | limits, MB | done from | one line | told by the witness | before us | tracebacks | hangs | files left |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    for name, line in COMMANDS.items():
        ends: Counter[str] = Counter()
        enough = 0
        limits = range(60, 560, asked.step)
        for megabytes in limits:
            how, last = run(line, megabytes, asked.seconds)
            ends[how] += 1
            if how in ("traceback", "hang", "left files"):
                print(f"{name} at {megabytes} MB: {how}: {last}", file=sys.stderr, flush=True)
                wrong += 1
            enough = enough or (megabytes if how == "done" else 0)
            if ends["done"] == 3:
                break
        print(f"| {name} | 60 to {megabytes} by {asked.step} | {enough} | {ends['one line']} | {ends['told by the witness']} "
              f"| {ends['before us']} | {ends['traceback']} | {ends['hang']} | {ends['left files']} |", flush=True)  # fmt: skip
    return wrong > 0


if __name__ == "__main__":
    sys.exit(main())
