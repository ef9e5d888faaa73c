"""Many short sheets, made from the shipped ones by key, tempo and pattern: a school's repertoire in small."""

from __future__ import annotations

import random
import shutil
from collections.abc import Iterator
from pathlib import Path

from underbow.errors import InputError
from underbow.fiddle.pattern import library
from underbow.tables import read_table, read_text
from underbow.track.sheet.read import read_sheet

TRACKS = Path(__file__).parents[2] / "tracks"
KEYS = ("G", "D", "A", "C", "F", "E")
SHEET = """title = "{title}"
tune = "{tune}"
key = "{key}{mode}"
pattern = "{pattern}"
bars = "1-{bars}"
[tempo]
ramp = "steady"
goal = {goal}
passes = 1
count_in = 1
[sound]
seed = {seed}
"""


def write_sheets(folder: Path, count: int, *, bars: int = 8, seed: int = 18) -> list[Path]:
    """Write so many sheets that can be played, each once through a few bars, with the four standard mixes."""
    folder.mkdir(parents=True, exist_ok=True)
    chance = random.Random(seed)
    paths: list[Path] = []
    for number, text in enumerate(_texts(chance, bars), start=1):
        path = folder / f"sheet-{number:04d}.toml"
        path.write_text(text)
        try:
            read_sheet(path)
        except InputError:  # a pattern that doesn't fit, a shape that can't be had
            path.unlink()
            continue
        paths.append(path)
        if len(paths) == count:
            break
    return paths


def _texts(chance: random.Random, bars: int) -> Iterator[str]:
    tables = [read_table(read_text(path), path.name) for path in sorted(TRACKS.glob("*.toml"))]
    tunes = [table for table in tables if "tune" in table]
    number = 0
    while True:
        table, number = chance.choice(tunes), number + 1
        yield SHEET.format(
            title=f"{table['title']} {number}", tune=table["tune"], key=chance.choice(KEYS), mode="",
            pattern=chance.choice(sorted(library())), bars=bars, goal=chance.randrange(70, 120), seed=number,
        )  # fmt: skip


def copy_tunes(folder: Path) -> None:
    """Lay the shipped tunes beside the sheets."""
    folder.mkdir(parents=True, exist_ok=True)
    for path in TRACKS.glob("*.abc"):
        shutil.copy(path, folder)
