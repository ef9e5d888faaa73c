"""Small sheets, made in place."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet

SheetMaker = Callable[..., Sheet]


@pytest.fixture(scope="session")
def sheet_of() -> SheetMaker:
    """Make a sheet from the body of a tune and what else the sheet says; without human feel unless it asks for it."""

    def make(body: str, *, meter: str = "4/4", key: str = "G", unit: str = "1/8", **table: Any) -> Sheet:
        abc = f"X:1\nT:A tune\nM:{meter}\nL:{unit}\nK:{key}\n{body}\n"
        sound = {"feel_ms": 0, "feel_db": 0} | table.pop("sound", {})
        tempo = {"start": 60, "goal": 80, "passes": 2} | table.pop("tempo", {})
        return build_sheet({"abc": abc, "sound": sound, "tempo": tempo, **table})

    return make
