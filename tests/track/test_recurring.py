"""A recurring sequence gives back what a list of everything would hold, though it keeps three passes of it."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underbow.theory.progression import ChordSpan
from underbow.track import timeline
from underbow.track.recurring import LAID_OUT, Recurring
from underbow.track.sequencer import perform
from underbow.track.timeline import lay_out

F = Fraction
LOOP = F(8)


@dataclass(frozen=True, slots=True)
class Thing:
    start: Fraction
    name: str


def later(thing: Thing, passes: int) -> Thing:
    return replace(thing, start=thing.start + LOOP * passes)


within = st.lists(st.fractions(0, F(63, 8), max_denominator=8), min_size=1, max_size=5, unique=True).map(sorted)


@given(first=within, between=within, last=within, passes=st.integers(3, 12), count_in=st.integers(0, 5))
def test_rounds_are_the_list_of_everything(
    first: list[Fraction], between: list[Fraction], last: list[Fraction], passes: int, count_in: int
) -> None:
    starts = [count_in + LOOP * n for n in range(passes)]
    every = [
        Thing(begin + at, f"{'first' if n == 0 else 'last' if n == passes - 1 else 'between'} {i}")
        for n, begin in enumerate(starts)
        for i, at in enumerate(first if n == 0 else last if n == passes - 1 else between)
    ]
    laid = [Thing(starts[0] + at, f"first {i}") for i, at in enumerate(first)]
    laid += [Thing(starts[1] + at, f"between {i}") for i, at in enumerate(between)]
    laid += [Thing(starts[2] + at, f"last {i}") for i, at in enumerate(last)]
    kept = Recurring(laid, starts[:LAID_OUT], passes, later)
    assert list(kept) == every
    assert kept == tuple(every)
    assert hash(kept) == hash(tuple(every))
    assert [kept[i] for i in range(-len(every), len(every))] == every * 2
    assert kept[1:-1] == tuple(every[1:-1])
    begins = [thing.start for thing in every]
    for quarter in [F(n, 8) for n in range(-8, 8 * 8 * passes + 64, 5)]:
        assert kept.place_of(quarter) == max(bisect_right(begins, quarter) - 1, 0)
    assert kept.place_of(kept[-1].start) == len(every) - 1


@pytest.mark.parametrize("passes", [1, 2, 3])
def test_few_passes_are_what_was_laid_out(passes: int) -> None:
    things = [Thing(LOOP * n + at, "") for n in range(passes) for at in (F(0), F(3))]
    kept = Recurring(things, [LOOP * n for n in range(passes)], passes, later)
    assert kept == tuple(things)
    assert kept.laid_out == tuple(things)
    with pytest.raises(IndexError):
        kept[2 * passes]


def test_what_does_not_come_round_is_refused() -> None:
    with pytest.raises(ValueError, match="nothing begins"):
        Recurring([Thing(F(0), ""), Thing(F(17), "")], [F(0), F(8), F(16)], 9, later)


@pytest.mark.parametrize(
    "abc", ['D | "G"GABc | "D"d3 |]', 'D | "G"GABc | d3 |]', "D | GABc | d3 |]", '"G"GABc | "D"d4 |]']
)
def test_many_passes_are_laid_out_as_one_after_the_other(sheet_of: Any, abc: str) -> None:
    """A track of few passes, which is laid out whole, begins and ends as one of many does."""
    few, many = (sheet_of(abc, unit="1/4", tempo={"passes": n}) for n in (3, 9))
    short, long = lay_out(few), lay_out(many)
    by = long.starts[-1] - short.starts[-1]
    assert len(long.whole_bars) == 3 * len(short.whole_bars)
    assert [bar.start for bar in long.whole_bars][-2:] == [bar.start + by for bar in short.whole_bars][-2:]
    assert [stretch.closing for stretch in long.stretches] == [short.stretches[0].closing + by]
    for one, following in pairwise(long.heard):
        assert one.end == following.start
    spans: list[ChordSpan] = list(perform(many).chords)
    assert spans[-1].end == long.end
    assert all(a.chord != b.chord for a, b in pairwise(spans))
    assert [bar.playing for bar in long.bars] == sorted(n for n in range(1, 10) for _ in many.melody.bars)
    assert [bar.chords for bar in long.bars][-2:] == [bar.chords for bar in short.bars][-2:]


TUNES = (
    'D | "G"GABc | "D"d3 |]',
    'D | "G"GABc | d3 |]',
    "D | GABc | d3 |]",
    '"D"D | "G"GABc | "D"d3 |]',
    '"D"D | "G"GABc | "G"d3 |]',
    'GABc | d2 "D"d2 |]',
    'DEF | [M:2/4] "G"GA | "N.C."Bc | "D"d |]',
    '[M:5/4] DE | "G"GABcB | z5 | "Am"A3 |]',
)


@pytest.mark.parametrize("abc", TUNES)
@pytest.mark.parametrize("passes", [4, 7])
def test_kept_passes_are_those_that_would_be_laid_out_one_by_one(
    sheet_of: Any, abc: str, passes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = sheet_of(
        abc, unit="1/4", tempo={"passes": passes}, sound={"feel_ms": 9, "feel_db": 1, "tuning_notes": True}
    )
    kept, played = lay_out(sheet), perform(sheet)
    monkeypatch.setattr(timeline, "LAID_OUT", passes)
    every = lay_out(sheet)
    assert len(kept.whole_bars.laid_out) < len(every.whole_bars.laid_out)
    assert kept == every
    assert played == perform(sheet)
