"""Sheets to print, and what programs that read PDF see of them."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[3]


SHEETS = sorted((ROOT / "tracks").glob("*.toml"))


Program = Callable[[str], str]


def tool(program: Program, name: str, *words: str | Path) -> str:
    done = subprocess.run([program(name), *map(str, words)], capture_output=True, text=True, check=True)
    return done.stdout
