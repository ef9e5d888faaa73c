"""The ``[tempo]`` table to a ramp, and how long a track may be."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pytest

from underbow.fiddle.pattern import library
from underbow.theory.meter import Meter
from underbow.track.ramp import Ramp
from underbow.track.sheet import ramp as ramps
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.ramp import ramp_of, too_long
from underbow.track.sheet.table import TempoTable


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


@pytest.mark.parametrize(
    ("written", "kind", "start", "goal", "passes"),
    [
        ({}, "steps", 100, 248, 6),
        ({"start": 70}, "steps", 70, 248, 6),
        ({"goal": 180}, "steps", 100, 180, 6),
        ({"goal": 90}, "steps", 54, 90, 6),  # the pattern's slow end is above it: three fifths
        ({"goal": 100}, "steps", 60, 100, 6),  # or just there
        ({"goal": 100, "ramp": "glide"}, "glide", 60, 100, 6),
        ({"goal": 101}, "steps", 100, 101, 6),
        ({"goal": 90, "passes": 1}, "steps", 90, 90, 1),  # once, at the tempo asked for
        ({"goal": 90, "passes": 1, "ramp": "glide"}, "glide", 54, 90, 1),
        ({"goal": 90, "passes": 2}, "steps", 54, 90, 2),
        ({"ramp": "steady"}, "steady", 248, 248, 4),
        ({"ramp": "steady", "start": 80}, "steady", 80, 80, 4),
        ({"ramp": "steady", "goal": 80}, "steady", 80, 80, 4),
        ({"ramp": "steady", "goal": 80, "passes": 2}, "steady", 80, 80, 2),
        ({"start": 250, "ramp": "steady"}, "steady", 250, 250, 4),
        ({"start": 60, "goal": 100, "step": 4}, "steps", 60, 100, 11),
        ({"beat": "1/2"}, "steps", 50, 124, 6),
        ({"beat": "1/1"}, "steps", 25, 62, 6),
    ],
)
def test_what_is_left_out_comes_from_the_pattern(
    written: dict[str, object], kind: str, start: int, goal: int, passes: int
) -> None:
    """The pattern goes from 50 to 124 half notes a minute; the sheet counts quarters, 100 to 248, unless it says otherwise."""
    pattern = library()["nashville-shuffle"]
    assert (pattern.tempo.beat, pattern.tempo.low, pattern.tempo.high) == (2, 50, 124)
    ramp = ramp_of(TempoTable(**written), Meter.parse("4/4"), pattern)  # type: ignore[arg-type]
    assert (ramp.kind, ramp.start, ramp.goal, ramp.passes) == (kind, start, goal, passes)


def test_a_start_above_the_pattern_raises_the_goal_to_it() -> None:
    ramp = ramp_of(TempoTable(start=260, passes=1), Meter.parse("4/4"), library()["nashville-shuffle"])
    assert (ramp.start, ramp.goal) == (260, 260)


def test_an_uneven_bar_is_counted_in_its_units() -> None:
    ramp = ramp_of(TempoTable(), Meter.parse("(3+2)/8"), library()["nashville-shuffle"])
    assert (ramp.beat, ramp.start, ramp.goal) == (Fraction(1, 2), 200, 496)
