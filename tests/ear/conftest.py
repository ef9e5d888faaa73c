"""Takes of a learner who doesn't exist, of a short round, with the truth of every stroke."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import soundfile

from underbow.track.performance import Performance
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet

TABLE = {
    "title": "Four and back",
    "compose": {"seed": 1},
    "pattern": "nashville-shuffle",
    "progression": "C | G | D | A | C | G",
    "shapes": {"C": "3-1"},
    "tempo": {"beat": "1/4", "start": 96, "goal": 112, "passes": 2, "count_in": 1},
}


#: A tune with a pickup, repeats, and two endings.
CHURN = """X:1
T:Round the churn
M:4/4
L:1/8
K:D
FG|:A2FA d2cd|edcB A2FG|A2FA B2GB|1 AGFE D2FG:|2 AGFE D4|:d2fd e2ce|dcBA G2Bd|cBAG F2EF|GFED D4:|
"""


@pytest.fixture(scope="session")
def simulate() -> ModuleType:
    """The simulator of the benchmark of recordings."""
    return simulation("recording")


@pytest.fixture(scope="session")
def churn() -> str:
    return CHURN


def simulation(of: str = "ear") -> ModuleType:
    """The simulator of a benchmark."""
    path = Path(__file__).parents[2] / "benchmarks" / of / "simulate.py"
    spec = importlib.util.spec_from_file_location(f"underbow_{of}_simulate", path)
    assert spec is not None
    assert spec.loader is not None
    found = sys.modules.setdefault(spec.name, importlib.util.module_from_spec(spec))
    if not hasattr(found, "RATE"):
        spec.loader.exec_module(found)
    return found


@pytest.fixture(scope="session")
def sheet() -> Sheet:
    return build_sheet(TABLE)


@pytest.fixture(scope="session")
def performance(sheet: Sheet) -> Performance:
    return perform(sheet)


@pytest.fixture(scope="session")
def in_room(
    sheet: Sheet, performance: Performance, fluidsynth_library: str, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, Any]:
    """A take in a room by a built-in voice, the play-along by another (a SoundFont) leaking in; a file, and its truth."""
    simulate = simulation()
    conditions = replace(simulate.ROOM, dropped=0.0)
    take = simulate.make_take(performance, sheet.mixes[0], conditions, 5, learner="builtin", leak="soundfont")
    path = tmp_path_factory.mktemp("take") / "take.flac"
    soundfile.write(path, take.sound, simulate.RATE)
    return path, take
