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


def simulation() -> ModuleType:
    """The simulator of the benchmark."""
    path = Path(__file__).parents[2] / "benchmarks" / "ear" / "simulate.py"
    spec = importlib.util.spec_from_file_location("underbow_ear_simulate", path)
    assert spec is not None
    assert spec.loader is not None
    found = sys.modules.setdefault(spec.name, importlib.util.module_from_spec(spec))
    if not hasattr(found, "make_take"):
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
