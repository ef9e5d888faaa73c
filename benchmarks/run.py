"""``make bench``: every benchmark in its short form, one after the other; each folder's README.md has the full figures.

Every one prints a ratio to a reference program or library measured in the same run.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
SHORT: dict[str, list[list[str]]] = {
    "start": [["measure.py", "--rounds", "5"]],
    "render": [["measure.py", "--rounds", "1", "--no-memory"], ["sequence.py", "--rounds", "3"]],
    "lesson": [["measure.py", "--sheets", "wet-socks"]],
    "video": [["measure.py", "--passes", "1"]],
    "desk": [["measure.py", "--edits", "60", "--sheets", "200"]],
    "faults": [["fuzz.py", "--inputs", "400", "--banks", "20"]],
}


def main() -> int:
    failed = []
    for name, commands in SHORT.items():
        for words in commands:
            print(f"\n## {name}: {' '.join(words)}\n", flush=True)
            done = subprocess.run([sys.executable, HERE / name / words[0], *words[1:]], check=False)
            if done.returncode:
                failed.append(name)
    if failed:
        print("failed:", ", ".join(failed), file=sys.stderr)
    return len(failed) > 0


if __name__ == "__main__":
    sys.exit(main())
