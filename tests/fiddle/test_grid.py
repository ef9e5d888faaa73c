"""Accent grids: what the rows spell, over one cycle and over many."""

from __future__ import annotations

import itertools
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underbow.errors import InputError
from underbow.fiddle.grid import AccentGrid, Stroke
from underbow.theory.meter import Meter

Q = Fraction


def bows(strokes: tuple[Stroke, ...]) -> str:
    return "".join(stroke.bow for stroke in strokes)


def spans(strokes: tuple[Stroke, ...]) -> list[tuple[str, Fraction, Fraction]]:
    return [(stroke.bow, stroke.start, stroke.length) for stroke in strokes]


@st.composite
def grids(draw: st.DrawFn) -> AccentGrid:
    """Any valid grid: strokes of any length turn about, with pulses, chops and rests, perhaps held over the end."""
    meter = Meter.parse(draw(st.sampled_from(["2/4", "3/4", "4/4", "6/8", "9/8", "(3+2+2)/8", "3/2"])))
    cells = draw(st.integers(1, 12))
    bars = draw(st.integers(1, 3))
    size = cells * bars
    retake = draw(st.booleans())
    row = ""
    way = draw(st.sampled_from("du"))
    while len(row) < size:
        kind = draw(st.sampled_from("sssxr"))
        if kind == "s":
            row += way + "".join(draw(st.lists(st.sampled_from("--~"), max_size=4)))
            way = draw(st.sampled_from("du")) if retake else {"d": "u", "u": "d"}[way]
        else:
            row += "x" if kind == "x" else "."
    row = row[:size]
    if not set(row) & set("dux"):
        row = "d" + row[1:]
    turn = draw(st.integers(0, size - 1))
    turned = row[turn:] + row[:turn]
    row = turned if _legal(turned, retake) else row
    accent = "".join(draw(st.sampled_from("123456789")) if symbol in "dux~" else "." for symbol in row)
    strings = "".join(draw(st.sampled_from("=_^")) if symbol in "dux~" else "." for symbol in row)
    return AccentGrid(meter, cells, row, accent, strings, 0.5, retake)


def _legal(row: str, retake: bool) -> bool:
    sounds = [symbol for symbol in row if symbol in "dux"]
    alternate = retake or all(a != b or a == "x" for a, b in itertools.pairwise(sounds))
    return alternate and not (row[0] in "-~" and row[-1] in "x.")


def unrolled(grid: AccentGrid, bars: int) -> list[tuple[str, int, int, list[int]]]:
    """Read a grid over many bars cell by cell, the slow way: (bow, first cell, cells, cells where it sounds)."""
    row, way, out = "", {"d": "u", "u": "d"}, []
    cycles = -(-bars // grid.bars)
    for number in range(cycles):
        row += "".join(way.get(c, c) for c in grid.bow) if grid.flips and number % 2 else grid.bow
    for at, symbol in enumerate(row[: bars * grid.cells]):
        if symbol in "dux":
            out.append((symbol, at, 1, [at]))
        elif symbol in "-~" and at == 0:  # from rest: the stroke that would be under way
            last = [c for c in grid.bow if c in "dux"][-1]
            out.append((way[last] if grid.flips and last != "x" else last, 0, 1, [0]))
        elif symbol in "-~":
            bow, first, cells, sounds = out[-1]
            out[-1] = (bow, first, cells + 1, [*sounds, at] if symbol == "~" else sounds)
    return out


class TestStrokes:
    def test_shuffle(self) -> None:
        grid = AccentGrid.parse("4/4", 8, "d - u d u - d u", "6 . 8 6 6 . 8 6")
        assert spans(grid.strokes()) == [
            ("d", Q(0), Q(1)),
            ("u", Q(1), Q(1, 2)),
            ("d", Q(3, 2), Q(1, 2)),
            ("u", Q(2), Q(1)),
            ("d", Q(3), Q(1, 2)),
            ("u", Q(7, 2), Q(1, 2)),
        ]
        assert [stroke.pulses[0].level for stroke in grid.strokes()] == [-6, -2, -6, -6, -2, -6]

    def test_pulses_divide_a_stroke(self) -> None:
        (down, up) = AccentGrid.parse("3/4", 6, "d - u - ~ -", "9 . 6 . 5 .", "_ . = . ^ .").strokes()
        assert [(p.start, p.length, p.level, p.strings) for p in up.pulses] == [
            (Q(1), Q(1), -6.0, "both"),
            (Q(2), Q(1), -8.0, "upper"),
        ]
        assert [(p.start, p.length, p.level, p.strings) for p in down.pulses] == [(Q(0), Q(1), 0.0, "lower")]

    def test_stroke_held_over_the_end_is_listed_once_with_its_pulses(self) -> None:
        (first, last) = AccentGrid.parse("2/4", 4, "- ~ d u", ". 5 9 6").strokes()
        assert (first.start, first.length) == (Q(1), Q(1, 2))
        assert (last.start, last.length) == (Q(3, 2), Q(3, 2))
        assert [(p.start, p.length, p.level) for p in last.pulses] == [(Q(3, 2), Q(1), -6), (Q(5, 2), Q(1, 2), -8)]

    def test_one_stroke_may_last_the_whole_cycle(self) -> None:
        (stroke,) = AccentGrid.parse("3/4", 3, "- d -", ". 8 .").strokes()
        assert (stroke.start, stroke.length) == (Q(1), Q(3))

    def test_chops_and_rests(self) -> None:
        grid = AccentGrid.parse("4/4", 8, ". . x . d - . .", ". . 8 . 6 . . .")
        assert spans(grid.strokes()) == [("x", Q(1), Q(1, 2)), ("d", Q(2), Q(1))]

    def test_compound_and_cut_time_cells(self) -> None:
        assert AccentGrid.parse("6/8", 6, "dududu", "955855").cell == Q(1, 2)
        assert AccentGrid.parse("C|", 8, "dudududu", "95558555").cell == Q(1, 2)
        assert AccentGrid.parse("9/8", 3, "dud", "966").cell == Q(3, 2)
        assert AccentGrid.parse("2/4", 8, "dudududu", "95558555").cell == Q(1, 4)


class TestPlay:
    def test_odd_strokes_turn_every_other_cycle(self) -> None:
        grid = AccentGrid.parse("3/4", 3, "d u d", "9 6 6")
        assert grid.flips
        assert bows(grid.play(3)) == "dududu" + "dud"

    def test_retake_keeps_every_cycle_as_written(self) -> None:
        grid = AccentGrid.parse("3/4", 3, "d u d", "9 6 6", retake=True)
        assert not grid.flips
        assert bows(grid.play(3)) == "dud" * 3

    def test_a_chop_leaves_the_bow_free(self) -> None:
        grid = AccentGrid.parse("4/4", 4, "d x d x", "6 9 6 9")
        assert bows(grid.play(2)) == "dxdxdxdx"

    def test_entry_from_rest_attacks_a_held_first_cell(self) -> None:
        grid = AccentGrid.parse("4/4", 8, "- - d u - - d u", ". . 9 5 . . 9 6")
        entry, *rest = grid.play(2)
        assert (entry.bow, entry.start, entry.length) == ("u", Q(0), Q(1))
        assert [(p.start, p.length, p.level) for p in entry.pulses] == [(Q(0), Q(1), -6.0)]
        assert spans(tuple(rest))[3] == ("u", Q(7, 2), Q(3, 2))  # the long up-bow over the bar line

    def test_entry_into_a_pulsed_stroke_takes_its_pulses(self) -> None:
        grid = AccentGrid.parse("2/4", 4, "- ~ d u", ". 5 9 6")
        entry = grid.play(1)[0]
        assert [(p.start, p.length, p.level) for p in entry.pulses] == [(Q(0), Q(1, 2), -6), (Q(1, 2), Q(1, 2), -8)]

    def test_entry_of_a_turning_grid_goes_against_its_first_stroke(self) -> None:
        grid = AccentGrid.parse("6/8", 6, "~ d u d u d", "9 5 5 8 5 6")
        assert bows(grid.play(3)) == "u" + "dudud" + "ududu" + "dudud"

    def test_the_last_stroke_is_cut_at_the_end(self) -> None:
        grid = AccentGrid.parse("2/4", 4, "- ~ d u", ". 5 9 6")
        last = grid.play(1)[-1]
        assert last.end == Q(2)
        assert [(p.start, p.length) for p in last.pulses] == [(Q(3, 2), Q(1, 2))]

    def test_bars_that_are_no_whole_number_of_cycles(self) -> None:
        grid = AccentGrid.parse("4/4", 4, "d - - - | u - - -", "7 . . . | 7 . . .")
        assert spans(grid.play(3)) == [("d", Q(0), Q(4)), ("u", Q(4), Q(4)), ("d", Q(8), Q(4))]

    def test_no_bars(self) -> None:
        assert AccentGrid.parse("4/4", 4, "dudu", "9999").play(0) == ()

    @given(grids(), st.integers(1, 9))
    def test_agrees_with_reading_cell_by_cell(self, grid: AccentGrid, bars: int) -> None:
        slow = unrolled(grid, bars)
        fast = grid.play(bars)
        assert [(s.bow, s.start / grid.cell, s.length / grid.cell) for s in fast] == [row[:3] for row in slow]
        for stroke, (_, first, cells, sounds) in zip(fast, slow, strict=True):
            assert [p.start / grid.cell for p in stroke.pulses] == sounds
            ends = [*sounds[1:], first + cells]
            assert [p.end / grid.cell for p in stroke.pulses] == ends
            for pulse, at in zip(stroke.pulses, sounds, strict=True):
                if grid.bow[at % len(grid.bow)] in "dux~":
                    assert pulse.level == 2.0 * (int(grid.accent[at % len(grid.bow)]) - 9)

    @given(grids(), st.integers(1, 9))
    def test_strokes_never_overlap_and_stay_inside(self, grid: AccentGrid, bars: int) -> None:
        strokes = grid.play(bars)
        assert all(a.end <= b.start for a, b in itertools.pairwise(strokes))
        assert not strokes or (strokes[0].start >= 0 and strokes[-1].end <= grid.meter.bar * bars)

    @given(grids(), st.integers(1, 9))
    def test_neighbouring_strokes_alternate_unless_retaken(self, grid: AccentGrid, bars: int) -> None:
        row = bows(grid.play(bars))
        assert grid.retake or ("dd" not in row and "uu" not in row)


class TestSwing:
    def test_a_bar_shorter_than_a_quarter_is_played_as_often_as_any(self) -> None:
        strokes = AccentGrid.parse("1/8", 2, "du", "99").play(3)
        assert [stroke.start for stroke in strokes] == [0, Q(1, 4), Q(1, 2), Q(3, 4), 1, Q(5, 4)]

    def test_even_swing_changes_nothing(self) -> None:
        grid = AccentGrid.parse("4/4", 8, "dudududu", "95558555")
        assert all(grid.swung(Q(n, 7)) == Q(n, 7) for n in range(60))

    def test_triplet_swing_is_two_to_one(self) -> None:
        # philberthoud.com, hornpipes part 1: hornpipes go 2:1
        grid = AccentGrid.parse("4/4", 8, "dudududu", "95558555", swing=0.667)
        starts = [grid.swung(Q(n, 2)) for n in range(9)]
        lengths = [b - a for a, b in itertools.pairwise(starts)]
        assert lengths == [Q(2, 3), Q(1, 3)] * 4

    def test_dotted_swing_is_three_to_one(self) -> None:
        # ABC standard 2.1, section 4.4: a>b plays a at 3/2 and b at 1/2 of its length
        grid = AccentGrid.parse("2/4", 4, "dudu", "9585", swing=0.75)
        assert [grid.swung(Q(n, 2)) for n in range(5)] == [0, Q(3, 4), 1, Q(7, 4), 2]

    @given(st.fractions(0, 40, max_denominator=96), st.fractions(0, 40, max_denominator=96), st.floats(0.5, 0.75))
    def test_swing_keeps_order_and_pairs(self, a: Fraction, b: Fraction, share: float) -> None:
        grid = AccentGrid.parse("4/4", 8, "dudududu", "95558555", swing=share)
        assert (a < b) == (grid.swung(a) < grid.swung(b))
        assert grid.swung(a + 1) == grid.swung(a) + 1
        assert a <= grid.swung(a) < a + Q(1, 4) + Q(1, 1000)

    @pytest.mark.parametrize(("meter", "cells"), [("6/8", 6), ("4/4", 12), ("3/4", 9), ("9/8", 9)])
    def test_cells_must_pair_within_a_beat(self, meter: str, cells: int) -> None:
        row = ("du" * cells)[: cells * 2]
        with pytest.raises(InputError, match="swing: swing needs an even number of cells a beat"):
            AccentGrid.parse(meter, cells, row, "9" * len(row), swing=0.6)

    def test_a_wrong_swing_is_told_beside_a_wrong_row(self) -> None:
        with pytest.raises(InputError) as told:
            AccentGrid.parse("6/8", 6, "dudu", "999999", swing=0.6)
        assert [fault.where for fault in told.value.faults] == ["bow", "swing"]


class TestWriting:
    @given(grids())
    def test_rows_read_back(self, grid: AccentGrid) -> None:
        rows = [grid.written(row) for row in ("bow", "accent", "strings")]
        assert AccentGrid.parse(grid.meter, grid.cells, *rows, retake=grid.retake) == grid

    def test_under_another_meter_the_cells_stay(self) -> None:
        grid = AccentGrid.parse("4/4", 8, "d - u d u - d u", "6 . 9 5 6 . 9 5").in_meter(Meter.parse("2/4"))
        assert [stroke.start for stroke in grid.strokes()] == [0, Q(1, 2), Q(3, 4), 1, Q(3, 2), Q(7, 4)]

    def test_a_faulty_grid_can_not_be_made_at_all(self) -> None:
        with pytest.raises(InputError) as told:
            AccentGrid(Meter.parse("4/4"), 4, "dd", "99q", "====")
        assert [fault.where for fault in told.value.faults] == ["bow", "accent", "accent"]
        with pytest.raises(InputError, match="cells: found 0"):
            AccentGrid(Meter.parse("4/4"), 0, "d", "9", "=")
