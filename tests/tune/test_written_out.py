"""Tunes written out as they are played: bars as a player counts them, chords in force, sections."""

import pytest

from underbow.tune.abc.reader import read_abc
from underbow.tune.bars import printed_numbers
from underbow.tune.tune import Melody, Tune
from underbow.tune.written_out import write_out


def read(music: str, meter: str = "4/4") -> Tune:
    (tune,) = read_abc(f"X:1\nM:{meter}\nL:1/8\nK:C\n{music}\n")
    return tune


def bars(melody: Melody) -> list[tuple[int, int, str, str, str]]:
    return [(bar.number, bar.time, str(bar.start), str(bar.length), bar.section) for bar in melody.bars]


def chords(melody: Melody) -> str:
    return " ".join(f"{span.start}:{span.chord or '-'}" for span in melody.chords)


def test_a_pickup_joins_the_short_bar_before_it() -> None:
    melody = write_out(read("G2|:c8|c6 G2:|\n|:e8|c6:|"))
    assert bars(melody)[:4] == [
        (0, 1, "0", "1", "A"),
        (1, 1, "1", "4", "A"),
        (2, 1, "5", "4", "A"),
        (1, 2, "9", "4", "A"),
    ]
    melody = write_out(read("|:G2|c8|c6:|\n|:G2|e8|c6:|"))
    assert [bar.length for bar in melody.bars] == [1, 4, 4, 4, 4, 4, 4, 4, 3]
    assert [(s.name, [(bar.number, bar.time) for bar in s.bars]) for s in melody.sections] == [
        ("A", [(1, 1), (2, 1)]),
        ("A", [(1, 2), (2, 2)]),
        ("B", [(3, 1), (4, 1)]),
        ("B", [(3, 2), (4, 2)]),
    ]
    assert (melody.pickup, melody.length) == (1, 32)


@pytest.mark.parametrize("music", ["|:G2|c8|c6:|\n|:G2|e8|c6:|", "G2|c8|c8|]", "c8|d4||e4|f8|", "A|B2|C7|", "c4|d8|"])
def test_bars_leave_no_gap(music: str) -> None:
    for exact in (False, True):
        melody = write_out(read(music), exact=exact)
        for before, after in zip(melody.bars, melody.bars[1:], strict=False):
            assert before.end == after.start
        assert melody.bars[0].start == 0
        assert melody.bars[-1].end == melody.length
        assert [bar for section in melody.sections for bar in section.bars] == list(melody.full_bars)


def test_bars_know_their_measures_and_exact_ones_keep_their_length() -> None:
    tune = read("G2|c8|c4||c4|c6|")
    assert [bar.measures for bar in write_out(tune).bars] == [
        ((0, 0),),
        ((1, 0),),
        ((2, 0), (3, 2)),
        ((4, 0),),
    ]
    pickup_at_its_end = read("E2|:G2A2B2c2|A6E2:|")
    assert [write_out(pickup_at_its_end, exact=exact).bars[-1].length for exact in (False, True)] == [3, 4]


def test_a_careless_full_bar_before_a_pickup() -> None:
    """The pickup is played over the end of the bar, as a player does; exact keeps the extra beat."""
    tune = read("|:G2|c8|c8:|")
    melody = write_out(tune)
    assert [bar.length for bar in melody.bars] == [1, 4, 4, 4, 4]
    assert [(n.pitch.letter, str(n.start), str(n.length)) for n in melody.notes[2:5]] == [
        ("C", "5", "3"), ("G", "8", "1"), ("C", "9", "4"),
    ]  # fmt: skip
    assert melody.bars[-1].length == 4  # the last bar shows it: full, although there is a pickup
    assert write_out(tune, exact=True).length == melody.length + 1


def test_a_careless_full_bar_with_notes_in_the_way() -> None:
    """There is no time for the pickup: a player leaves it out, and goes on with the first full bar."""
    tune = read("|:G2|c8|c4 d2 e2:|")
    melody = write_out(tune)
    assert [bar.length for bar in melody.bars] == [1, 4, 4, 4, 4]
    assert "".join(note.pitch.letter for note in melody.notes) == "GCCDECCDE"
    assert [(s.bars[0].start, len(s.bars)) for s in melody.sections] == [(1, 2), (9, 2)]
    assert [f.what for f in tune.told] == [
        "bar 2 is full although a pickup comes back after it; the pickup is left out there"
    ]


def test_a_pickup_smaller_than_the_room_for_it_stands_at_the_end_of_the_bar() -> None:
    tune = read("|:G2|c8|c6:|\n|:A|e8|e7:|")
    melody = write_out(tune)
    assert all(bar.length == 4 for bar in melody.bars[1:])
    assert [str(note.start) for note in melody.notes if note.pitch.letter == "A"] == ["33/2", "49/2"]
    assert [f.what for f in tune.told] == ["bar 2 is too short: it holds 7/8, the meter is 4/4; a rest fills it"]


def test_the_room_left_for_the_next_pickup_is_waited_out_at_the_repeat() -> None:
    """A begins without a pickup but ends short for B's: the usual way of writing it, so nothing is told."""
    tune = read("c8|c6:|\n|:A2|e8|e6:|")
    assert [bar.length for bar in write_out(tune).bars] == [4] * 7 + [3]
    assert (write_out(tune).loop, write_out(tune).finish) == (32, 32)
    assert not tune.told


def test_a_short_bar_without_a_pickup_after_it_is_waited_out() -> None:
    tune = read("|:G2|c8|c6:|\n|:e8|c8:|")
    melody = write_out(tune)
    assert [bar.length for bar in melody.bars] == [1] + [4] * 8
    assert [str(n.start) for n in melody.notes if n.pitch.letter == "E"] == ["17", "25"]
    assert not tune.told


def test_a_bar_torn_by_a_double_bar_is_one_bar() -> None:
    assert [bar.length for bar in write_out(read("c8|d4||e4|f8|]")).bars] == [4, 4, 4]


def test_first_and_second_endings() -> None:
    melody = write_out(read("|:c8|1 d8:|2 e8|]"))
    assert "".join(note.pitch.letter for note in melody.notes) == "CDCE"
    assert [[bar.number for bar in section.bars] for section in melody.sections] == [[1, 2], [1, 3]]


def test_ties_over_bar_lines_repeats_and_endings() -> None:
    melody = write_out(read("|:c8-|1 c4 d4:|2 c8|]"))
    assert [(n.pitch.letter, str(n.length)) for n in melody.notes] == [("C", "6"), ("D", "2"), ("C", "8")]


def test_chords_hold_over_bar_lines_and_through_repeats() -> None:
    melody = write_out(read('|:"G"c8|d8|"D"e4 "A"f4:|'))
    assert chords(melody) == "0:G 8:D 10:A 12:G 20:D 22:A"


def test_a_repeat_that_begins_without_a_symbol_has_the_chord_of_the_page() -> None:
    assert chords(write_out(read('"G"c8|:d8|"D"e8:|'))) == "0:G 8:D 12:G 16:D"


def test_a_second_ending_without_a_symbol_follows_the_body() -> None:
    assert chords(write_out(read('|:"G"c8|1 "D"d8:|2 e8|]'))) == "0:G 4:D 8:G"


def test_a_pickup_without_a_symbol_goes_on_with_what_sounds() -> None:
    assert chords(write_out(read('|:G2|"C"c8|"G"c6:|'))) == "1:C 5:G 9:C 13:G"


def test_a_symbol_on_the_pickup_begins_there() -> None:
    assert chords(write_out(read('|:"G7"G2|"C"c8|c6:|'))) == "0:G7 1:C 8:G7 9:C"


def test_the_first_chord_reaches_back_to_the_first_bar() -> None:
    assert chords(write_out(read('G2|c4 "F"c4|'))) == "1:F"
    assert chords(write_out(read('c4 "F"c4|'))) == "0:F"
    assert write_out(read("c8|")).chords == ()


def test_equal_sections_have_one_letter() -> None:
    assert [s.name for s in write_out(read("c8|d8||c8|d8||e8|f8||c8|d8|]")).sections] == list("AABA")


def test_parts_have_their_letters() -> None:
    assert [s.name for s in write_out(read("P:B\nc8|\nP:A\nd8|")).sections] == ["B", "A"]
    assert [s.name for s in write_out(read("P:Variation 1\nc8|\nP:A\nd8|\nP:Coda\ne8|")).sections] == ["B", "A", "C"]


def test_numbers_down_the_page() -> None:
    assert printed_numbers(read("G2|:c8|c6:|\n|:G2|e8|c6|]")) == (0, 1, 2, 2, 3, 4)
    assert printed_numbers(read("G2|:c8|c8:|\n|:G2|e8|c8|]")) == (
        0,
        1,
        2,
        2,
        3,
        4,
    )  # a careless pickup is no bar either
    assert printed_numbers(read("|:c8|1 d8:|2 e8|f8|]")) == (1, 2, 3, 4)


def test_a_pickup_after_the_first_bar_of_all_is_laid_over_its_end() -> None:
    melody = write_out(read("c8||G2|e8|f8|]"))
    assert [bar.length for bar in melody.bars] == [4, 4, 4]
    assert [str(note.start) for note in melody.notes] == ["0", "3", "4", "8"]


def test_notes_know_where_they_are_written() -> None:
    melody = write_out(read("|:c8-|1 c4 d4:|2 c8|]"))
    assert [[(str(after), m, n) for after, m, n in note.written] for note in melody.notes] == [
        [("0", 0, 0), ("4", 1, 0)], [("0", 1, 1)], [("0", 0, 0), ("4", 2, 0)],
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("music", "last"),
    [
        ("E2|:G2A2B2c2|A6E2:|", "A"),  # leads back to a full bar: a pickup
        ("E2|:G2A2B2c2|A6B2:|\n|:c8|d4G2E2:|", "E"),  # as long as the note before it: the tune's own end
        ("E2|:G2A2B2c2|B6C2:|", "C"),  # it brings the tune home
        ("|:E2|G2A2B2c2|A6E2:|", "E"),  # the repeat has its own pickup, so this one is written over it with care or not
        ("E2|G2A2B2c2|A6E2|]", "E"),
    ],
)
def test_a_tune_ends_on_its_last_note_and_not_on_the_pickup_to_the_next_time(music: str, last: str) -> None:
    melody = write_out(read(music))
    assert melody.notes[-1].pitch.letter == last
    assert (melody.length == melody.finish) is (last != "A")
    assert melody.loop == melody.finish - melody.pickup


def test_meter_changes() -> None:
    melody = write_out(read("c8|[M:3/4]d6|e6|"))
    assert [(str(bar.meter), bar.length) for bar in melody.bars] == [("4/4", 4), ("3/4", 3), ("3/4", 3)]


def test_no_bow_stroke_reaches_over_a_jump() -> None:
    melody = write_out(read("|:(c4 d4|1 e8:|2 f8)|]"))
    assert [n.slurred for n in melody.notes if n.pitch.letter == "C"] == [False, False]


def test_an_empty_tune() -> None:
    (tune,) = read_abc("X:1\nT:nothing\nK:C\n")
    assert write_out(tune) == Melody((), (), ())
    assert (write_out(tune).length, write_out(tune).sections) == (0, ())
    (tune,) = read_abc("X:1\nT:nothing\nK:C\n|y|\n")
    assert write_out(tune).notes == ()
