"""A pass that is like another is played once: nothing may come out otherwise than if every pass were played by itself."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator
from fractions import Fraction
from itertools import count
from typing import Any

import pytest

from underbow.fiddle.pattern import library
from underbow.track.parts import backup, click, melody, passes, rhythm
from underbow.track.performance import Gesture
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet
from underbow.track.timeline import Timeline

SheetMaker = Callable[..., Sheet]
TUNES = {
    "pickup": 'D | "G"GABc | "D"d3 |]',
    "odd bars": '"G"GABc|[M:3/4]"C"cBA|[M:4/4]"D"d4|"Em"e4|"G"G4|]',
    "one bar": '"G"GABc |]',
    "ornaments": '{B}D|"G"G{c}ABc|"D"~d2Td|]',
    "late chord": 'GABc | d2 "D"d2 | "G"G4 |]',
}
TEMPOS: list[dict[str, Any]] = [
    {"passes": 7},
    {"passes": 5, "ramp": "glide"},
    {"passes": 3, "each": 3},
    {"passes": 4, "each": 2, "between": 1},
    {"passes": 1, "goal": 60},
]


def one_by_one(timeline: Timeline, play: passes.Play, **options: Any) -> Iterator[tuple[list[Gesture], Fraction]]:
    numbers = count()

    def alike(place: int) -> Hashable:
        return next(numbers)

    return passes.pass_by_pass(timeline, play, alike=alike, closing=options.get("closing", 1))


def same_one_by_one(sheet: Sheet, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = perform(sheet)
    for part in (backup, click, melody, rhythm):
        monkeypatch.setattr(part, "pass_by_pass", one_by_one)
    every = perform(sheet)
    for part_kept, part_played in zip(kept.parts, every.parts, strict=True):
        assert part_kept == part_played, part_kept.name


@pytest.mark.parametrize("tempo", TEMPOS, ids=str)
@pytest.mark.parametrize("name", TUNES)
def test_passes_alike_are_those_played_one_by_one(
    sheet_of: SheetMaker, name: str, tempo: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    same_one_by_one(sheet_of(TUNES[name], unit="1/4", tempo=tempo, sound={"feel_ms": 4}), monkeypatch)


PATTERNS = [pattern for pattern in library().values() if str(pattern.grid.meter) == "4/4"]


@pytest.mark.parametrize("bars", [1, 3])
@pytest.mark.parametrize("pattern", PATTERNS, ids=lambda pattern: pattern.name)
def test_whatever_the_bow_carries_over_from_pass_to_pass(
    pattern: Any, bars: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Patterns of several bars, of an odd number of strokes, and with strokes held over, in passes that don't fit them."""
    body = " | ".join(['"G"GABc', '"C"cBAG', '"D"d4'][:bars])
    abc = f"X:1\nT:T\nM:4/4\nL:1/4\nK:G\n{body} |]\n"
    same_one_by_one(
        build_sheet({"abc": abc, "pattern": pattern.name, "tempo": {"start": 60, "goal": 90, "passes": 6}}), monkeypatch
    )
