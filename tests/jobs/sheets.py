"""Short sheets with the built-in voices, a second or two of work each."""

from __future__ import annotations

import json
from pathlib import Path

from underbow.jobs.gather import Gathered, gather
from underbow.sound.options import RenderOptions

TUNE = 'X:1\nT:{title}\nC:{title}\nM:4/4\nL:1/4\nK:G\n|: "G"GABc | "D"d2 A2 :|\n'
RENDER = RenderOptions(voices="builtin")


def write_sheet(folder: Path, name: str, title: str, goal: int = 200) -> Path:
    path = folder / f"{name}.toml"
    (folder / f"{name}.abc").write_text(TUNE.format(title=title))
    path.write_text(
        f"title = {json.dumps(title, ensure_ascii=False)}\ntune = '{name}.abc'\npattern = 'saw'\n"
        f"[tempo]\nstart = 180\ngoal = {goal}\npasses = 2\ncount_in = 1\n"
        "[[mix]]\nname = 'tune'\nmelody = 0\n[[mix]]\nname = 'both'\nmelody = [0, -12]\nbackup = 0\n"
    )
    return path


def gathered(folder: Path, count: int) -> Gathered:
    return gather([write_sheet(folder, f"s{i}", f"Sheet {i}") for i in range(count)], RENDER)
