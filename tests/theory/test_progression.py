"""Progressions: bars, shared bars, repeats, sections, and what is told of faulty ones."""

from __future__ import annotations

import itertools
import re
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underbow.errors import InputError
from underbow.theory.chord import Chord
from underbow.theory.meter import Meter
from underbow.theory.progression import MOST_BARS, Changes, Progression, divided

SYMBOL = st.sampled_from(["G", "C", "D7", "Am", "F#m7", "Bb", "C/E", "-"])
BAR = st.lists(SYMBOL, min_size=1, max_size=4).map(" ".join)
METER = st.sampled_from(["2/4", "3/4", "4/4", "6/8", "9/8", "C|", "(3+2+2)/8", "3/2"]).map(Meter.parse)


def bars(text: str) -> list[str]:
    return [" ".join(str(chord) if chord else "-" for chord in bar) for bar in Progression.parse(text).bars]


class TestReading:
    @pytest.mark.parametrize(
        ("text", "expected"),
        [
            ("G | C | D | G", ["G", "C", "D", "G"]),
            ("| G | C | D | G |", ["G", "C", "D", "G"]),
            ("G D | C | % | D7", ["G D", "C", "C", "D7"]),
            ("G D | % | %", ["G D"] * 3),
            ("G || C |] ", ["G", "C"]),
            ("| G | C ||\n| D | G |]", ["G", "C", "D", "G"]),
            ("G | C\nD | G", ["G", "C", "D", "G"]),
            ("G |\n\n| C", ["G", "C"]),
            ("G | C\n \t\n  D |\r\n \r\nG", ["G", "C", "D", "G"]),
            ("- | N.C. | G", ["-", "-", "G"]),
            ("Gmin7|A-7|D/f+", ["Gm7", "Am7", "D/F#"]),
        ],
    )
    def test_bars(self, text: str, expected: list[str]) -> None:
        assert bars(text) == expected

    @pytest.mark.parametrize("text", ["A: G | C\nB: D | Em", "A: G | C B: D | Em", "A:G|C\n\n  B :  D|Em|"])
    def test_sections(self, text: str) -> None:
        found = Progression.parse(text)
        assert [section.name for section in found.sections] == ["A", "B"]
        assert str(found) == "A: G | C\nB: D | Em"
        assert found.section("B") == Changes("B", ((Chord.parse("D"),), (Chord.parse("Em"),)))
        assert found.section("C") is None

    def test_bars_before_the_first_name_are_a_section_too(self) -> None:
        found = Progression.parse("G | C\nB: D")
        assert [(section.name, len(section.bars)) for section in found.sections] == [("", 2), ("B", 1)]

    def test_a_repeat_does_not_reach_into_the_section_before(self) -> None:
        with pytest.raises(InputError, match="section B, bar 1: % has no bar before it"):
            Progression.parse("A: G | C\nB: % | D")

    def test_chords_in_order_of_appearance(self) -> None:
        assert [str(chord) for chord in Progression.parse("G | C | G | - | D7").chords] == ["G", "C", "D7"]

    def test_a_single_bar_with_a_rest_in_it_is_written_with_a_bar_line(self) -> None:
        found = Progression.parse("G - D |")
        assert found.bars == ((Chord.parse("G"), None, Chord.parse("D")),)
        assert str(found) == "G - D |"

    @given(st.lists(BAR, min_size=1, max_size=12), st.lists(BAR, min_size=1, max_size=6), st.booleans())
    def test_reads_what_it_writes(self, first: list[str], second: list[str], sections: bool) -> None:
        text = " | ".join(first)
        if re.fullmatch(r"[A-G]\S*( - [A-G]\S*)+", text):
            text += " |"  # without it, "G - D" would as well be three bars
        if sections:
            text = f"A: {text}\nB: {' | '.join(second)}"
        found = Progression.parse(text)
        assert str(found) == text
        assert Progression.parse(str(found)) == found


class TestTime:
    @pytest.mark.parametrize(
        ("meter", "chords", "starts"),
        [
            ("4/4", "G", [0]),
            ("4/4", "G D", [0, 2]),
            ("4/4", "G D C", [0, 2, 3]),
            ("4/4", "G D C D", [0, 1, 2, 3]),
            ("4/4", "G D C D G", [0, Fraction(4, 5), Fraction(8, 5), Fraction(12, 5), Fraction(16, 5)]),
            ("C|", "G D", [0, 2]),
            ("3/4", "G D", [0, 2]),
            ("6/8", "G D", [0, Fraction(3, 2)]),
            ("9/8", "G D", [0, 3]),
            ("12/8", "G D C", [0, 3, Fraction(9, 2)]),
            ("(3+2)/8", "G D", [0, Fraction(3, 2)]),
            ("(2+2+3)/8", "G D", [0, 2]),
            ("(3+2)/8", "G D C", [0, Fraction(5, 6), Fraction(5, 3)]),
        ],
    )
    def test_a_bar_is_shared_by_whole_beats(self, meter: str, chords: str, starts: list[Fraction]) -> None:
        (bar,) = Progression.parse(chords).bars
        assert [start for start, _, _ in divided(bar, Meter.parse(meter))] == starts

    @given(BAR, METER)
    def test_a_bar_is_shared_without_gaps(self, text: str, meter: Meter) -> None:
        (bar,) = Progression.parse(f"| {text} |").bars
        at = Fraction(0)
        for start, length, _ in divided(bar, meter):
            assert start == at
            assert length > 0
            at += length
        assert at == meter.bar

    @given(st.lists(BAR, min_size=1, max_size=12), METER)
    def test_spans_fill_the_time_and_neighbours_differ(self, texts: list[str], meter: Meter) -> None:
        spans = Progression.parse(f"| {' | '.join(texts)} |").spans(meter)
        assert spans[0].start == 0
        assert spans[-1].end == meter.bar * len(texts)
        for one, other in itertools.pairwise(spans):
            assert one.end == other.start
            assert one.chord != other.chord

    def test_a_chord_kept_over_the_bar_line_is_one_span(self) -> None:
        spans = Progression.parse("G | % | G D").spans(Meter.parse("4/4"))
        assert [(span.start, span.length, str(span.chord)) for span in spans] == [(0, 10, "G"), (10, 2, "D")]


class TestFaults:
    @pytest.mark.parametrize(
        ("text", "message"),
        [
            ("", 'no chords; write bars divided by |, such as "G | G | C | D"'),
            (" | ", 'no chords; write bars divided by |, such as "G | G | C | D"'),
            (
                "G | X | C | am",
                ("bar 2: not a chord: 'X'; write one such as G, Am, D7, F#m7 or C/E\n"
                "bar 4: not a chord: 'am'; the root is a capital letter, such as Am"),
            ),
            ("% | G", "bar 1: % has no bar before it to repeat; write a chord"),
            ("G |  | C\n|  | D", ("bar 2: an empty bar; write its chord, % to repeat the bar before, or - for no chord\n"
             "bar 4: an empty bar; write its chord, % to repeat the bar before, or - for no chord")),
            ("A: G | H\nB: Q", ("section A, bar 2: not a chord: 'H'; the German H is B here: write B\n"
             "section B, bar 1: not a chord: 'Q'; write one such as G, Am, D7, F#m7 or C/E")),
            ("A: G\nA: D", "section A is written twice; give each its own name"),
            ("A:\nB: G", "section A: has no bars; write its chords after the colon"),
            (
                "|: G | C :|",
                "repeat signs have no place in a progression; write the bars once and repeat sections with form, such as AABB",
            ),
        ],
    )  # fmt: skip
    def test_whole_message(self, text: str, message: str) -> None:
        with pytest.raises(InputError) as told:
            Progression.parse(text)
        assert str(told.value) == message

    def test_too_long(self) -> None:
        assert len(Progression.parse(" | ".join(["G"] * MOST_BARS)).bars) == MOST_BARS
        with pytest.raises(InputError, match="more than 10000 bars; use form to repeat sections"):
            Progression.parse(" | ".join(["G"] * (MOST_BARS + 1)))


def test_line_ends_and_bar_lines_before_the_first_section_are_no_section() -> None:
    for text in ("\r\nA: G | D\r\nB: C\r\n", "[|A: G | D\nB: C", " | \nA: G | D |]\nB: C"):
        read = Progression.parse(text)
        assert [section.name for section in read.sections] == ["A", "B"]
        assert Progression.parse(str(read)) == read
