"""The backup: hand shapes bowed in the pattern's strokes."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pytest

from underbow.fiddle.pattern import find_pattern
from underbow.track.performance import Gesture, Manner
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet

F = Fraction
SheetMaker = Callable[..., Sheet]
SHAPES = {"G": "0-0", "D": "1-0", "C": "3-1", "A": "1-1"}  # fiddlers' shapes on G and D strings, common practice


def strokes(sheet: Sheet) -> list[Gesture]:
    """The backup from the first bar line on, its positions counted from there."""
    track = perform(sheet)
    return list(track.part("backup").gestures)


def rhythm(gestures: list[Gesture], bars: int) -> str:
    """Write strokes as direction and length in eighths."""
    zero = gestures[0].start
    return " ".join(
        f"{g.bow or 'x'}{(g.end - g.start) * 2}" for g in gestures if g.start - zero < 4 * bars
    )  # fmt: skip


def test_four_chords_round_in_the_shapes_that_fiddlers_use(sheet_of: SheetMaker) -> None:
    """C = 3 on G with 1 on D; G = both open; D = 1 on G with open D; A = 1 across both: common practice, no source."""
    sheet = sheet_of('"C"c8 | "G"d8 | "D"d8 | "A"e8 |]', pattern="nashville-shuffle", shapes=SHAPES)
    pitches = []
    for gesture in strokes(sheet):
        pair = tuple(note.midi for note in gesture.notes)
        if not pitches or pitches[-1] != pair:
            pitches.append(pair)
    assert pitches == [(60, 64), (55, 62), (57, 62), (57, 64)] * 2


def test_the_shuffle_is_long_short_short_and_alternates_by_itself(sheet_of: SheetMaker) -> None:
    """Six strokes a bar, D - U D U - D U (fiddlehangout.com/blog/2526)."""
    gestures = strokes(sheet_of('"G"G8 | "G"G8 |]', pattern="nashville-shuffle"))
    assert rhythm(gestures, 2) == "d2 u1 d1 u2 d1 u1 d2 u1 d1 u2 d1 u1"
    grid = find_pattern("nashville-shuffle").grid
    levels = [gesture.notes[0].level for gesture in gestures[:6]]
    assert levels == [(int(mark) - 9) * 2.0 for mark in grid.accent if mark != "."]


def test_the_georgia_shuffle_slurs_three_over_the_bar_line_and_bows_one(sheet_of: SheetMaker) -> None:
    """Cells 7, 0, 1 in one up-bow, the single down-bow on beats 2 and 4 (archive.fiddlesessions.com/aug07/Willis)."""
    gestures = strokes(sheet_of('"G"G8 | "G"G8 | "C"c8 |]', pattern="georgia-shuffle"))
    assert rhythm(gestures, 2) == "u2 d1 u3 d1 u3 d1 u3 d1 u3"
    zero = gestures[0].start
    over = next(gesture for gesture in gestures if gesture.start - zero == F(15, 2))
    # the chord changes under the bow: G held to the bar line, then C, without a new stroke
    assert [(n.start - zero, n.length, n.midi) for n in over.notes] == [
        (F(15, 2), F(1, 2), 55),
        (F(15, 2), F(1, 2), 62),
        (F(8), F(1), 60),
        (F(8), F(1), 64),
    ]


def test_a_string_whose_note_stays_is_not_touched_when_the_chord_changes(sheet_of: SheetMaker) -> None:
    """G is 0-0 and D 1-0: the open D string sounds on through the whole bow."""
    sheet = sheet_of('"G"G4 "D"d4 |]', pattern="long-chords-whole-bar", shapes={"G": "0-0", "D": "1-0"})
    gesture = strokes(sheet)[0]
    zero = gesture.start
    assert [(n.start - zero, n.length, n.midi, n.string) for n in gesture.notes] == [
        (0, 2, 55, 0),
        (0, 4, 62, 1),
        (2, 2, 57, 0),
    ]


def test_a_chop_is_short_and_has_no_bow_direction(sheet_of: SheetMaker) -> None:
    *gestures, last = strokes(sheet_of('"G"G8 | "G"G8 |]', pattern="off-beat-chop"))
    assert last.manner is Manner.BOW  # the closing chord
    assert {gesture.manner for gesture in gestures} == {Manner.CHOP}
    assert {gesture.bow for gesture in gestures} == {""}
    assert {note.length for gesture in gestures for note in gesture.notes} == {F(1, 8)}
    assert [gesture.start % 4 for gesture in gestures[:4]] == [1, 3, 1, 3]  # beats 2 and 4


def test_single_string_cells_sound_one_string(sheet_of: SheetMaker) -> None:
    """Double shuffle: the upper string alone on cells 2 5 8 11 14 of two bars (violinonline.com unit 6.11)."""
    gestures = strokes(sheet_of('"G"G8 | "G"G8 |]', pattern="double-shuffle"))[:16]
    high = [i for i, gesture in enumerate(gestures) if {n.string for n in gesture.notes} == {1}]
    assert high == [2, 5, 8, 11, 14]
    assert all(len(gesture.notes) == 1 for gesture in gestures)


def test_no_chord_no_sound(sheet_of: SheetMaker) -> None:
    gestures = strokes(sheet_of("G8 | G8 |]", pattern="saw", progression="- | G"))
    assert {g.start // 4 % 2 for g in gestures} == {1}


def test_a_pattern_begins_again_with_each_section(sheet_of: SheetMaker) -> None:
    """Three bars of a two-bar pattern, then section B: its first bar is the pattern's first."""
    body = 'P:A\n"G"G8 | "G"G8 | "G"G8 ||\nP:B\n"C"c8 | "C"c8 |]'
    sheet = sheet_of(body, pattern="double-shuffle", tempo={"passes": 1, "start": 80})
    gestures = strokes(sheet)
    zero = gestures[0].start
    first = [[n.string for n in g.notes] for g in gestures if g.start - zero < 4]
    section = [[n.string for n in g.notes] for g in gestures if 12 <= g.start - zero < 16]
    assert section == first


def test_a_pattern_for_each_section(sheet_of: SheetMaker) -> None:
    body = 'P:A\n"G"G8 ||\nP:B\n"C"c8 |]'
    sheet = sheet_of(body, pattern={"A": "saw", "B": "long-chords-whole-bar"})
    gestures = strokes(sheet)
    assert [sum(1 for g in gestures if 4 * i <= g.start - gestures[0].start < 4 * i + 4) for i in range(4)] == [
        8,
        1,
        8,
        1,
    ]


def test_the_bow_goes_on_from_bar_to_bar_where_a_bar_has_odd_strokes(sheet_of: SheetMaker) -> None:
    gestures = strokes(sheet_of('"G"G6 | "G"G6 | "D"d6 | "D"d6 |]', meter="3/4", pattern="waltz-long-bow"))
    assert [gesture.bow for gesture in gestures] == ["d", "u"] * 4


@pytest.mark.parametrize(("tuning", "expected"), [("GDAE", (55, 62)), ("AEAE", None)])
def test_the_tuning_decides_the_pitches(sheet_of: SheetMaker, tuning: str, expected: tuple[int, int] | None) -> None:
    sheet = sheet_of('"G"G8 |]', pattern="saw", tuning=tuning)
    pitches = tuple(note.midi for note in strokes(sheet)[0].notes)
    assert all(pitch % 12 in (7, 11, 2) for pitch in pitches)
    assert expected is None or pitches == expected


def test_higher_strings(sheet_of: SheetMaker) -> None:
    gesture = strokes(sheet_of('"A"A8 |]', pattern="saw", strings="high"))[0]
    assert [note.string for note in gesture.notes] == [2, 3]
