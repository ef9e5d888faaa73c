"""The short form of benchmarks/faults/fuzz.py: a few hundred mutated inputs of every kind, and some banks."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def test_mutated_inputs_are_read_or_refused() -> None:
    pytest.importorskip("music21")
    done = subprocess.run(
        [sys.executable, ROOT / "benchmarks/faults/fuzz.py", "--inputs", "400", "--banks", "20", "--seed", "7"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    rows = re.findall(r"^\| (\w+) \| ([\d,]+) \| (\d+) % \|", done.stdout, re.MULTILINE)
    assert {name for name, *_ in rows} == {
        "chords", "progressions", "patterns", "abc", "sheets", "midi", "tunebooks", "musicxml",
    }  # fmt: skip
    assert all(int(count.replace(",", "")) >= 20 for _, count, _ in rows)
    assert {name: int(share) for name, _, share in rows}["abc"] > 80  # deep paths are reached, not refused at the door
