"""The picture of a grid, the count above it, and the list of patterns, as the terminal shows them."""

from __future__ import annotations

import pytest

from underbow.fiddle.drawing.grid_text import count, draw, list_text
from underbow.fiddle.pattern import find_pattern, library, read_pattern
from underbow.theory.meter import Meter

from ..conftest import PATTERN_FILE

PATTERNS = library()


class TestPicture:
    def test_louder_accents_stand_higher(self) -> None:
        heights = []
        for level in range(1, 10):
            text = PATTERN_FILE.replace('"6 . 9 5 6 . 9 5"', f'"{level} . 9 5 6 . 9 5"')
            rows = draw(read_pattern(text)).splitlines()[2:6]
            heights.append(sum("  ▁▂▃▄▅▆▇█".index(row.partition("│")[2][:1] or " ") for row in rows if "│" in row))
        assert heights == sorted(set(heights))

    def test_the_other_way_is_drawn_where_bars_turn(self) -> None:
        picture = draw(find_pattern("waltz-separate"))
        assert "     bow │⊓────── V────── ⊓────── │" in picture
        assert "      or │V────── ⊓────── V────── │" in picture

    @pytest.mark.parametrize(
        ("meter", "cells", "words"),
        [
            ("4/4", 8, "1 & 2 & 3 & 4 &"),
            ("4/4", 16, "1 e & a 2 e & a 3 e & a 4 e & a"),
            ("4/4", 12, "1 la li 2 la li 3 la li 4 la li"),
            ("4/4", 4, "1 2 3 4"),
            ("4/4", 2, "1 3"),
            ("C|", 8, "1 & 2 & 3 & 4 &"),
            ("2/4", 4, "1 & 2 &"),
            ("3/4", 3, "1 2 3"),
            ("3/4", 2, "1 ·"),
            ("6/8", 6, "1 2 3 4 5 6"),
            ("6/8", 12, "1 & 2 & 3 & 4 & 5 & 6 &"),
            ("9/8", 3, "1 4 7"),
            ("12/8", 12, "1 2 3 4 5 6 7 8 9 10 11 12"),
            ("3/2", 6, "1 & 2 & 3 &"),
        ],
    )
    def test_count(self, meter: str, cells: int, words: str) -> None:
        assert " ".join(count(Meter.parse(meter), cells)) == words

    def test_list_has_a_line_a_pattern_by_meter(self) -> None:
        groups = list_text(list(PATTERNS.values())).split("\n\n")
        rows = [[line.split()[:2] for line in group.splitlines()] for group in groups]
        assert sorted(name for group in rows for name, _ in group) == list(PATTERNS)
        assert all(len({meter for _, meter in group}) == 1 for group in rows)
        assert len({group[0][1] for group in rows}) == len(rows)
        assert max(len(line) for group in groups for line in group.splitlines()) <= 80

    def test_list_of_a_long_grid_is_cut(self) -> None:
        text = PATTERN_FILE.replace('"d - u d u - d u"', f'"{" | ".join(["d - u d u - d u"] * 9)}"')
        text = text.replace('"6 . 9 5 6 . 9 5"', f'"{" | ".join(["6 . 9 5 6 . 9 5"] * 9)}"')
        (line,) = list_text([read_pattern(text)]).splitlines()
        assert line.endswith(" …")
        assert len(line) <= 80
        assert max(map(len, draw(read_pattern(text)).splitlines())) <= 80
        assert list_text([PATTERNS["slip-jig"]], width=10) == "slip-jig  9/8  d - u …"  # never less than a beginning
