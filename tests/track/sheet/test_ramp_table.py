"""The ``[tempo]`` table to a ramp, and how long a track may be."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pytest

from underbow.track.ramp import Ramp
from underbow.track.sheet import ramp as ramps
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.ramp import too_long


@pytest.mark.parametrize(
    ("count_in", "passes", "between", "seconds"),
    [(0, 1, 0, 8), (2, 1, 0, 16), (2, 3, 0, 32), (0, 3, 1, 32)],
    ids=["the pass alone", "with its count-in", "three passes", "with bars between"],
)
def test_a_track_is_too_long_from_the_first_second_over(
    sheet_of: Callable[..., Sheet],
    monkeypatch: pytest.MonkeyPatch,
    count_in: int,
    passes: int,
    between: int,
    seconds: int,
) -> None:
    """Two bars of 4/4 at 60 a minute take 8 s; count-in and bars between take 4 s a bar."""
    melody = sheet_of('"G"GABc | "D"d4 |]', unit="1/4").melody
    ramp = Ramp("steady", 60, 60, passes, Fraction(1), None, 1, between)
    monkeypatch.setattr(ramps, "MOST_SECONDS", seconds)
    assert too_long(ramp, melody, count_in) == ""
    monkeypatch.setattr(ramps, "MOST_SECONDS", seconds - 1)
    assert too_long(ramp, melody, count_in).startswith(f"{passes} passes would take ")
