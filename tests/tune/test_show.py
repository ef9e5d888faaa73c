"""What a tune looks like in a terminal, and as JSON."""

import json
from collections.abc import Iterator
from dataclasses import replace

import pytest

from underbow.tune import show
from underbow.tune.abc.headings import headings
from underbow.tune.abc.reader import read_abc
from underbow.tune.show import book_text, form, tune_json, tune_text
from underbow.tune.written_out import write_out

TUNE = """X:4
T:Show
R:jig
M:6/8
L:1/8
Q:3/8=100
K:D
A|:"D"d2f a2f|"G"g^gg "A"e2A|1 "D"d3 d2A:|2 "D"d3 z3|]
"""


def test_the_picture() -> None:
    (tune,) = read_abc(TUNE)
    expected = """\
Show
jig, key D, meter 6/8, tempo 3/8 = 100, form AA, 6 bars, with a pickup

A        D            G     A      D
A5   │  │      ●───  │            │            │
G5   │  │            │●─♯─♯─      │            │
F#5  │  │    ●─    ●─│            │            │
E5   │  │            │      ●───  │            │
D5   │  │●───        │            │●─────●───  │
C#5  │  │            │            │            │
B4   │  │            │            │            │
A4   │●─│            │          ●─│          ●─│
         1            2            3

A, 2nd time, where it is different:
      D
D5   │●─────      │
      4"""
    assert tune_text(tune) == expected


def test_the_picture_fits_the_width_and_shows_each_section_once() -> None:
    (tune,) = read_abc(
        "X:1\nM:4/4\nL:1/16\nK:G\n|:" + "GABcdefg GABcdefg|" * 8 + "g16:|\n|:" + "g4 f4 e4 d4|" * 8 + "g16:|\n"
    )
    for width in (40, 60, 80, 120):
        text = tune_text(tune, width)
        assert max(len(row) for row in text.split("\n")) <= width
        assert sum(row.startswith("A ") or row == "A" for row in text.split("\n")) == 1
    assert form(write_out(tune)) == "AABB"


def test_a_section_that_comes_again_as_it_was_is_not_drawn_again() -> None:
    (tune,) = read_abc("X:1\nM:2/4\nL:1/4\nK:G\nP:A\n|:GA|1 Bd|GG:|2 Bc|GB|]\nP:B\n|:cA|dd:|\nP:A\nGA|Bc|GB|]\n")
    assert form(write_out(tune)) == "AABBA"
    text = tune_text(tune)
    assert [line for line in text.split("\n") if "time" in line] == ["A, 2nd time, where it is different:"]
    assert text[text.index("2nd time") : text.index("B\n")].rstrip().endswith("\n      4        5")
    plain = "X:1\nT:t\nM:3/4\nL:1/4\nK:G\nD|GBd|G2:|\n"
    assert "time 2" not in tune_text(read_abc(plain)[0])
    assert "form A, 1 bar\n" in tune_text(read_abc("X:1\nT:t\nM:2/4\nL:1/4\nK:G\nGA|]\n")[0])


def test_what_was_assumed_stands_below() -> None:
    (tune,) = read_abc("X:1\nT:t\nM:4/4\nL:1/8\nK:G\nG8|A7|B8|]\n")
    assert tune_text(tune).endswith("! line 6, column 4: tune 1: bar 2 is too short: it holds 7/8, the meter is 4/4")


def test_json_is_json_with_exact_positions() -> None:
    (tune,) = read_abc(TUNE)
    shown = json.loads(json.dumps(tune_json(tune)))
    assert (shown["title"], shown["number"], shown["key"], shown["meter"], shown["pickup"]) == (
        "Show",
        4,
        "D",
        "6/8",
        "1/2",
    )
    assert shown["notes"][0] == {"start": "0", "length": "1/2", "midi": 69, "name": "A4"}
    assert shown["chords"][:2] == [
        {"start": "1/2", "length": "3", "chord": "D"},
        {"start": "7/2", "length": "3/2", "chord": "G"},
    ]
    assert shown["sections"] == [
        {"name": "A", "first_bar": 1, "time": 1, "bars": 3},
        {"name": "A", "first_bar": 1, "time": 2, "bars": 3},
    ]
    assert shown["tempo"] == {"beat": "3/8", "count": 100.0}


def test_a_tune_without_notes_can_be_shown() -> None:
    (tune,) = read_abc("X:1\nT:t\nK:G\n")
    assert tune_text(tune) == "t\nkey G, free meter"
    assert tune_json(tune)["notes"] == []


@pytest.mark.parametrize(
    ("field", "shown", "listed"),
    [
        ("", "meter 4/4", ""),  # forgotten: the reader says that it counts 4/4, and so does the heading
        ("M:none\n", "free meter", ""),  # free on purpose (ABC 2.1, section 3.1.6)
        ("M:3/4\n", "meter 3/4", "3/4"),
    ],
)
def test_a_forgotten_meter_is_shown_as_it_is_counted(field: str, shown: str, listed: str) -> None:
    (tune,) = read_abc(f"X:1\nT:t\n{field}L:1/8\nK:G\nG4A4|B3A3|B8|\n")
    assert tune_text(tune).split("\n")[1].split(", ")[1] == shown
    (row,) = book_text(headings(f"X:1\nT:t\n{field}L:1/8\nK:G\nG4A4|B3A3|B8|\n")).splitlines()
    assert row.split() == ["1", "t", *[listed] * bool(listed), "G"]


def test_a_meter_found_from_the_bars_is_shown() -> None:
    (tune,) = read_abc("X:1\nT:t\nL:1/4\nK:G\nGAB|cBA|GAB|G3|\n")
    assert "meter 3/4" in tune_text(tune)
    assert "counted as 3/4" in str(tune.told[0])


def test_the_list_of_a_book() -> None:
    tunes = headings("X:1\nT:" + "Long title " * 12 + "\nM:6/8\nK:D\nd3|\n\nX:20\nK:Am\na8|\n")
    rows = book_text(tunes, 60).split("\n")
    assert len(rows) == 2
    assert max(map(len, rows)) <= 60
    assert rows[0].startswith(" 1  Long title")
    assert "…" in rows[0]
    assert rows[1].split() == ["20", "(no", "title)", "Am"]


@pytest.mark.parametrize(("line", "free"), [("", False), ("M:none\n", True), ("M:4/4\n", False)])
def test_only_a_meter_that_is_free_on_purpose_is_told_as_free(line: str, free: bool) -> None:
    (tune,) = read_abc(f"X:1\nT:t\n{line}L:1/4\nK:G\nGABc|defg|]")
    assert tune_json(tune)["free"] is free


def test_a_long_tune_is_not_gone_through_for_every_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    (tune,) = read_abc("X:1\nT:t\nM:2/4\nL:1/4\nK:G\n" + '"G"GA|"D"BA|\n' * 100)
    melody = show.write_out(tune)
    passes: list[int] = []

    class Counted(tuple[object, ...]):
        def __iter__(self) -> Iterator[object]:
            passes.append(1)
            return super().__iter__()

    counted = replace(melody, notes=Counted(melody.notes), chords=Counted(melody.chords))
    monkeypatch.setattr(show, "write_out", lambda _: counted)
    tune_text(tune)
    assert len(passes) < 20  # once each, however many bars there are


def test_a_second_ending_is_drawn_where_only_the_lead_into_the_next_part_is_different() -> None:
    abc = "X:1\nM:2/4\nL:1/8\nK:G\nDF|:G2B2|A2c2|1 G2DF:|2 G2Bd||\n|:g4|e4|1 d2Bd:|2 d2|]"
    text = tune_text(read_abc(abc)[0])
    heads = [line for line in text.split("\n") if "time" in line]
    assert heads == ["A, 2nd time, where it is different:", "B, 2nd time, where it is different:"]
    second = text[text.index("A, 2nd time") :]
    assert second[: second.index("\nB\n")].rstrip().endswith("\n      4")
