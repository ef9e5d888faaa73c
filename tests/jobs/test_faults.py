"""The benchmark of faults in its shortest form: a few kills, a few failures of the disk, below Python, none of them harmful."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

DISK = Path(__file__).parents[2] / "benchmarks" / "faults" / "disk.py"


@pytest.mark.skipif(sys.platform != "linux", reason="what is loaded before libc is written for Linux")
@pytest.mark.parametrize("words", [("kill", "--most", "3"), ("full", "--every", "101")])
def test_a_disk_that_fails_and_a_kill_lose_nothing(program: Callable[[str], str], words: tuple[str, ...]) -> None:
    program("cc")
    asked = [sys.executable, str(DISK), *words, "--command", "lesson"]
    done = subprocess.run(asked, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 problems" in done.stdout
    assert "trials" in done.stdout
