"""Bars that are short or over where sections meet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

import pytest

from underbow.errors import InputError
from underbow.track.sheet.evening import evened
from underbow.track.sheet.model import Sheet
from underbow.tune.tune import Melody, MelodyNote, Section

F = Fraction
SheetMaker = Callable[..., Sheet]


@pytest.fixture
def melody(sheet_of: SheetMaker) -> Melody:
    return sheet_of('"G"GABc |]', unit="1/4").tune.melody()


def written(melody: Melody, *bars: tuple[int, str]) -> Melody:
    """Make a melody of bars of so many quarters, each of quarter notes, by section."""
    like, pitch = melody.bars[0], melody.notes[0].pitch
    starts = [sum(length for length, _ in bars[:i]) for i in range(len(bars))]
    made = tuple(
        replace(like, number=i + 1, start=F(starts[i]), length=F(length), section=name)
        for i, (length, name) in enumerate(bars)
    )
    notes = tuple(MelodyNote(F(at), F(1), replace(pitch, octave=4)) for at in range(starts[-1] + bars[-1][0]))
    names = [name for i, (_, name) in enumerate(bars) if i == 0 or name != bars[i - 1][1]]
    firsts = [next(i for i, (_, other) in enumerate(bars) if other == name) + 1 for name in names]
    sections = tuple(
        Section(name, first, after - first)
        for name, first, after in zip(names, firsts, [*firsts[1:], len(bars) + 1], strict=True)
    )
    return Melody(notes, (), made, sections, F(0), made[-1].end)


def test_what_is_waited_out_is_said(melody: Melody) -> None:
    played, told = evened(written(melody, (4, "A"), (3, "A"), (4, "B")))
    assert told == ("bar 2 is short at the end of a section: filled with a rest",)
    assert [(bar.start, bar.length) for bar in played.bars] == [(0, 4), (4, 4), (8, 4)]
    assert [int(note.start) for note in played.notes] == [0, 1, 2, 3, 4, 5, 6, 8, 9, 10, 11]
    assert [(s.name, s.first_bar, s.bars) for s in played.sections] == [("A", 1, 2), ("B", 3, 1)]
    assert evened(played) == (played, ())


def test_a_pickup_after_a_full_bar_is_played_over_its_end(melody: Melody) -> None:
    played, told = evened(written(melody, (4, "A"), (4, "A"), (1, "B"), (4, "B"), (4, "B")))
    assert told == ("bar 2 is full before a pickup: the pickup is played over the end",)
    assert [(bar.number, bar.start, bar.length) for bar in played.bars] == [(1, 0, 4), (2, 4, 4), (3, 8, 4), (4, 12, 4)]
    assert [int(note.start) for note in played.notes] == list(range(16))
    assert [(s.name, s.first_bar, s.bars) for s in played.sections] == [("A", 1, 2), ("B", 3, 2)]


def test_a_bar_that_is_short_in_mid_section_stays_so(melody: Melody) -> None:
    crooked = written(melody, (4, "A"), (3, "A"), (4, "A"), (4, "B"))
    assert evened(crooked) == (crooked, ())


def test_a_bar_that_is_repeated_is_told_once_with_its_number_on_the_page(sheet_of: SheetMaker) -> None:
    """Bar 4 on the page is bar 6 as played, and again bar 9."""
    with pytest.raises(InputError) as error:
        sheet_of('A |: "G"G4 | "G"G3 A :: "G"B4 | "C"c3 | "D"d4 :|', unit="1/4")
    cure = "add 1 quarter note, or, if it is meant so, write its own meter before it (in ABC [M:3/4])"
    assert [str(fault) for fault in error.value.faults] == [
        f"abc, line 6, bar 4, section B: holds 3 quarter notes, and 4/4 needs 4; {cure}"
    ]
