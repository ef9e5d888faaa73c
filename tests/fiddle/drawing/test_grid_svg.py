"""The drawn grid: what it says equals what the grid says, whatever the pattern."""

from __future__ import annotations

import re
from fractions import Fraction
from xml.etree import ElementTree as Xml

import pytest

from underbow.fiddle.drawing.grid_svg import BAR_WIDTH, draw_bar_svg, draw_grid_svg
from underbow.fiddle.grid import AccentGrid
from underbow.fiddle.pattern import Pattern, find_pattern, library

SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("pattern", library().values(), ids=library())
def test_every_pattern_is_drawn_whole(pattern: Pattern) -> None:
    grid = pattern.grid
    turns = 2 if grid.flips else 1
    picture = Xml.fromstring(draw_grid_svg(pattern))
    assert len([r for r in picture.iter(f"{SVG}rect") if r.get("class") == "cell"]) == len(grid.bow) * turns
    words = [text.text for text in picture.iter(f"{SVG}text")]
    accents = [symbol for symbol in grid.accent if symbol != "."]
    counts = [w for w in words if w]
    for accent in set(accents):
        assert counts.count(accent) >= accents.count(accent) * turns
    left, _, wide, high = map(float, picture.get("viewBox", "").split())
    for shape in picture.iter():
        assert "id" not in shape.attrib
        assert "style" not in shape.attrib
    for path in re.findall(r'd="(M[^"]*Z)"', draw_grid_svg(pattern)):
        numbers = [float(n) for n in re.findall(r"-?\d+\.\d", path)]
        assert all(-2 <= n <= max(wide, high) + 2 for n in numbers)
    assert left == 0


def test_a_down_bow_runs_down_an_up_bow_up_and_the_bow_comes_back() -> None:
    grid = find_pattern("nashville-shuffle").grid
    bar = draw_bar_svg(grid, grid.play(4), Fraction(4), Fraction(4))
    strokes = grid.strokes()
    assert len(bar.travel) == len(strokes)
    for stroke, (x1, y1, x2, y2) in zip(strokes, bar.travel, strict=True):
        assert (y2 > y1) == (stroke.bow == "d")
        assert x2 - x1 == pytest.approx(BAR_WIDTH * float(stroke.length / 4), abs=0.2)
    ends = [way[3] for way in bar.travel]
    assert ends[-1] == bar.travel[0][1]
    assert all(a[3] == b[1] for a, b in zip(bar.travel, bar.travel[1:], strict=False))


def test_a_slur_over_the_bar_line_goes_on_where_it_was() -> None:
    grid = find_pattern("georgia-shuffle").grid
    first, second = (draw_bar_svg(grid, grid.play(3), Fraction(4 * n), Fraction(4)) for n in (1, 2))
    assert first.travel[-1][2] == second.travel[0][0] + BAR_WIDTH
    assert first.travel[-1][3] == pytest.approx(second.travel[0][1], abs=0.1)


def test_the_thickness_of_a_stroke_grows_with_its_accent() -> None:
    heights = []
    for accent in "159":
        svg = draw_grid_svg(_pattern(AccentGrid.parse("1/4", 1, "d", accent, retake=True)))
        (path,) = re.findall(r'd="M[\d.]+ ([\d.]+)L[^Z]*L[\d.]+ ([\d.]+)Z"', svg)
        heights.append(float(path[1]) - float(path[0]))
    assert heights == sorted(heights)
    assert heights[2] > 2 * heights[0]


def test_swing_shows_in_the_width_of_the_cells() -> None:
    grid = AccentGrid.parse("2/4", 4, "dudu", "6666", swing=0.667)
    bar = draw_bar_svg(grid, grid.play(1), Fraction(0), Fraction(2))
    assert bar.cells == (0, Fraction(2, 3), 1, Fraction(5, 3), 2)
    assert bar.travel[0][2] == pytest.approx(1 + BAR_WIDTH / 3, abs=0.1)


def test_a_bar_that_is_cut_short_ends_where_it_ends() -> None:
    grid = find_pattern("saw").grid
    bar = draw_bar_svg(grid, grid.play(1), Fraction(0), Fraction(7, 4))
    assert bar.cells[-1] == Fraction(7, 4)
    assert bar.travel[-1][2] == pytest.approx(1 + BAR_WIDTH, abs=0.1)


def test_a_lifted_bow_sets_out_again_from_the_frog() -> None:
    grid = AccentGrid.parse("2/4", 4, "d.d.", "8.8.", retake=True)
    ways = draw_bar_svg(grid, grid.play(1), Fraction(0), Fraction(2)).travel
    assert ways[0][1] == ways[1][1] < ways[0][3]


def test_hostile_titles_stay_text() -> None:
    grid = find_pattern("saw").grid
    svg = draw_grid_svg(_pattern(grid, '</title><script>"&\u202e🎻'))
    assert Xml.fromstring(svg).findtext(f"{SVG}title", "").startswith('</title><script>"&\u202e🎻')


def test_columns_must_be_one_or_more() -> None:
    with pytest.raises(ValueError, match="columns must be at least 1, not 0"):
        draw_grid_svg(find_pattern("saw"), columns=0)


def _pattern(grid: AccentGrid, title: str = "Any") -> Pattern:
    known = find_pattern("saw")
    return Pattern("any", title, (), grid, known.tempo, "", "")
