"""Forms, stretches of bars, and progressions laid under a tune."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pytest

from underbow.errors import InputError
from underbow.theory.progression import Progression
from underbow.track.sheet.form import bars_if_played, lay_under, order_in_form, take_bars
from underbow.track.sheet.model import Sheet
from underbow.tune.tune import Melody, Tune
from underbow.tune.written_out import write_out

F = Fraction
SheetMaker = Callable[..., Sheet]
TWO_PARTS = 'P:A\n|: "G"GABc | "C"edcB | "D"A4 :|\nP:B\n|: "Em"dBdB | "G"G4 :|'
ENDINGS = 'P:A\nD |: "G"GABc |1 "C"e3 d :|2 "D"d3 E ||\nP:B\n"Em"e4 | "G"G3 |]'


def formed(tune: Tune, form: str) -> Melody:
    return write_out(tune, order_in_form(tune, form))


def spelled(melody: Melody) -> str:
    """Every note's pitch and length, and every silence before one, so that each start is looked at."""
    words: list[str] = []
    end = F(0)
    for note in melody.notes:
        words += [f"z:{note.start - end}"] * (note.start != end) + [f"{note.pitch}:{note.length}"]
        end = note.start + note.length
    return " ".join(words)


@pytest.fixture
def tune(sheet_of: SheetMaker) -> Tune:
    return sheet_of(TWO_PARTS, unit="1/4").tune


@pytest.fixture
def melody(tune: Tune) -> Melody:
    return write_out(tune)


@pytest.mark.parametrize(
    ("form", "sections", "bars"),
    [("AABB", "AABB", 10), ("AB", "AB", 5), ("B A", "BA", 5), ("ABA", "ABA", 8), ("A, A", "AA", 6), ("B", "B", 2)],
)
def test_sections_in_another_order(tune: Tune, form: str, sections: str, bars: int) -> None:
    played = formed(tune, form)
    assert "".join(section.name for section in played.sections) == sections
    assert played.length == 4 * bars == 4 * len(played.bars)
    printed = {"A": [1, 2, 3], "B": [4, 5]}  # whatever the form
    assert [bar.number for bar in played.bars] == [number for name in sections for number in printed[name]]
    assert [bar.time for bar in played.bars if bar.number == 1] == list(range(1, sections.count("A") + 1))


def test_the_tunes_own_form_changes_nothing(tune: Tune) -> None:
    assert order_in_form(tune, "AABB") == tune.order


def test_each_time_takes_the_ending_that_leads_to_what_comes_next(sheet_of: SheetMaker) -> None:
    """A's first ending leads back to A, its second one on to B; after the last section the form begins again."""
    tune = sheet_of(ENDINGS, unit="1/4").tune
    back, on = "G4:1 A4:1 B4:1 C5:1 E5:3", "G4:1 A4:1 B4:1 C5:1 D5:3 E4:1"
    assert spelled(formed(tune, "AB")) == f"D4:1 {on} E5:4 G4:3"
    assert spelled(formed(tune, "A")) == f"D4:1 {back}"  # its own pickup comes back with the next pass
    assert spelled(formed(tune, "AA")) == f"D4:1 {back} D5:1 {back}"
    assert spelled(formed(tune, "AABB")) == f"D4:1 {back} D5:1 {on} E5:4 G4:3 z:1 E5:4 G4:3"
    assert formed(tune, "A").pickup == 1
    assert formed(tune, "A").length == 8


def test_the_short_last_bar_in_mid_form_is_filled_with_the_pickup(sheet_of: SheetMaker) -> None:
    played = formed(sheet_of(ENDINGS, unit="1/4").tune, "ABA")
    assert spelled(played) == "D4:1 G4:1 A4:1 B4:1 C5:1 D5:3 E4:1 E5:4 G4:3 D4:1 G4:1 A4:1 B4:1 C5:1 E5:3"
    assert {bar.length for bar in played.full_bars[:-1]} == {4}


def test_a_form_that_begins_elsewhere_has_no_pickup(sheet_of: SheetMaker) -> None:
    played = formed(sheet_of(ENDINGS, unit="1/4").tune, "BA")
    assert played.pickup == 0
    assert played.length == 16


@pytest.mark.parametrize(
    ("form", "message"),
    [
        ("AAC", "found 'AAC', and the tune has no section 'C'; it has A, B"),
        ("", "an empty form; the tune has the sections A, B"),
        ("AB" * 101, "found 202 sections, expected at most 200; passes repeat the form"),
    ],
)
def test_forms_that_are_none(tune: Tune, form: str, message: str) -> None:
    with pytest.raises(InputError) as error:
        order_in_form(tune, form)
    assert str(error.value) == message


@pytest.mark.parametrize(
    ("bars", "notes"),
    [("2-3", "EDCBA"), (" 5 ", "G"), ("1–5", "GABCEDCBADBDBG"), ("4-5", "DBDBG")],
)
def test_a_stretch_of_bars(melody: Melody, bars: str, notes: str) -> None:
    kept = take_bars(melody, bars)
    first, _, last = bars.strip().partition("–" if "–" in bars else "-")
    assert [bar.number for bar in kept.bars] == list(range(int(first), int(last or first) + 1))
    assert {bar.time for bar in kept.bars} == {1}
    begins = {bar.number for bar in melody.bars if bar.section_start} | {int(first)}
    assert [bar.section_start for bar in kept.bars] == [bar.number in begins for bar in kept.bars]
    assert kept.length == 4 * len(kept.bars)
    assert kept.pickup == 0
    assert "".join(note.pitch.letter for note in kept.notes) == notes
    assert kept.chords[0].start == 0
    assert kept.chords[-1].end == kept.length


@pytest.mark.parametrize(
    ("bars", "instead"),
    [
        ("1-3", ""),
        ("2-4", "bar 2 to bar 1, second time"),
        ("4-5", "bars 1 to 2, second time"),
        ("5", "bar 2, second time"),
        ("11", ""),
    ],
)
def test_bars_that_would_be_others_if_they_were_counted_as_played(melody: Melody, bars: str, instead: str) -> None:
    assert bars_if_played(melody, bars) == instead


def test_a_stretch_over_endings_plays_each_bar_once(sheet_of: SheetMaker) -> None:
    melody = write_out(sheet_of(ENDINGS, unit="1/4").tune)
    assert [(bar.number, bar.time) for bar in melody.bars] == [(0, 1), (1, 1), (2, 1), (1, 2), (3, 1), (4, 1), (5, 1)]
    assert spelled(take_bars(melody, "1-2")) == "D4:1 G4:1 A4:1 B4:1 C5:1 E5:3"
    assert spelled(take_bars(melody, "2-4")) == "E5:3 D5:1 D5:3 E4:1 E5:4"
    assert spelled(take_bars(melody, "3-5")) == "D5:3 E4:1 E5:4 G4:3"


def test_a_bar_that_the_form_leaves_out(sheet_of: SheetMaker) -> None:
    with pytest.raises(InputError, match="found '1-3', but bar 2 is not played in this form; leave it out"):
        take_bars(formed(sheet_of(ENDINGS, unit="1/4").tune, "AB"), "1-3")


def test_a_pickup_comes_back_with_its_section_wherever_that_comes(sheet_of: SheetMaker) -> None:
    tune = sheet_of('D|"G"GABc|"D"d3||"C"e4|"D"d3|]', unit="1/4").tune
    assert spelled(formed(tune, "AAB")) == "D4:1 G4:1 A4:1 B4:1 C5:1 D5:3 D4:1 G4:1 A4:1 B4:1 C5:1 D5:3 z:1 E5:4 D5:3"
    assert spelled(formed(tune, "BA")) == "E5:4 D5:3 D4:1 G4:1 A4:1 B4:1 C5:1 D5:3"
    assert {bar.length for bar in formed(tune, "AABBA").full_bars[:-1]} == {4}


def test_a_stretch_keeps_the_chord_in_force(sheet_of: SheetMaker) -> None:
    melody = sheet_of('"G"GABc | dedB | "D"d4 |]', unit="1/4").melody
    assert [(str(span.chord), span.length) for span in take_bars(melody, "2-3").chords] == [("G", 4), ("D", 4)]


def test_a_note_held_over_the_end_of_a_stretch_is_cut(sheet_of: SheetMaker) -> None:
    melody = sheet_of('"G"GABc- | c4 | "D"d4 |]', unit="1/4").melody
    assert spelled(take_bars(melody, "1")) == "G4:1 A4:1 B4:1 C5:1"
    assert spelled(take_bars(melody, "1-2")) == "G4:1 A4:1 B4:1 C5:5"


def test_a_slur_goes_on_only_where_its_notes_still_follow_one_another(sheet_of: SheetMaker) -> None:
    melody = sheet_of('"G"GAB(c | d)edB | "D"d4 |]', unit="1/4").melody
    assert [note.slurred for note in take_bars(melody, "1-2").notes] == [False] * 4 + [True] + [False] * 3
    assert not any(note.slurred for note in take_bars(melody, "2").notes)
    parts = sheet_of('P:A\n"G"GAB(c ||\nP:B\nd)edB ||\nP:C\n"D"d4 |]', unit="1/4").tune
    assert [note.slurred for note in formed(parts, "CB").notes] == [False] * 5


@pytest.mark.parametrize("bars", ["0-3", "5-4", "3-6", "x", "-3", "1-2-3", ""])
def test_bars_that_are_none(melody: Melody, bars: str) -> None:
    with pytest.raises(InputError) as error:
        take_bars(melody, bars)
    assert str(error.value) == f'found {bars!r}, expected bars from 1 to 5 as printed; write them as in "5-8"'


def test_a_pickup_stays_with_the_first_bar(sheet_of: SheetMaker) -> None:
    melody = write_out(sheet_of('D | "G"GABc | "D"d3 |]', unit="1/4").tune)
    assert take_bars(melody, "1-2").pickup == 1
    assert take_bars(melody, "2").pickup == 0


def test_the_last_bar_is_short_only_for_a_pickup_that_comes(sheet_of: SheetMaker) -> None:
    """Going round without its pickup, a bar of three beats in 4/4 would lose the fourth each time."""
    melody = write_out(sheet_of('D | "G"GABc | "D"d4 | "G"g3 |]', unit="1/4").tune)
    lengths = {bars: [bar.length for bar in take_bars(melody, bars).bars] for bars in ("3", "2-3", "1-3", "1-2")}
    assert lengths == {"3": [4], "2-3": [4, 4], "1-3": [1, 4, 4, 3], "1-2": [1, 4, 3]}


def test_a_note_goes_on_into_the_bar_that_follows_the_first_time(sheet_of: SheetMaker) -> None:
    melody = write_out(sheet_of('|: "G"GABc- |1 "C"c3 d :|2 "D"d3 E | "G"e4 |]', unit="1/4").tune)
    assert spelled(take_bars(melody, "1-2")) == "G4:1 A4:1 B4:1 C5:4 D5:1"
    melody = write_out(sheet_of('"G"GABc- | "C"c3 d | "D"d3 E |]', unit="1/4").tune)
    assert spelled(take_bars(melody, "1-3")) == "G4:1 A4:1 B4:1 C5:4 D5:1 D5:3 E4:1"


def test_a_bar_that_is_short_at_the_end_of_a_section_is_waited_out(sheet_of: SheetMaker) -> None:
    """The second part has no pickup of its own and is written short all the same, as many books have it."""
    sheet = sheet_of('P:A\nD | "G"GABc | d3 :|\nP:B\n|: "C"cccc | g3 :|', unit="1/4")
    assert [bar.length for bar in sheet.melody.bars] == [1, 4, 4, 4, 4, 4, 4, 4, 3]
    assert [str(note.pitch) for note in sheet.melody.notes][11:] == ["D5"] + (["C5"] * 4 + ["G5"]) * 2


def laid(melody: Melody, text: str) -> list[tuple[str, Fraction, Fraction]]:
    return [(str(span.chord), span.start, span.length) for span in lay_under(melody, Progression.parse(text)).chords]


def test_a_progression_without_sections_goes_round(melody: Melody) -> None:
    assert laid(melody, "G D | C") == [
        (name, F(8 * i + at), F(length))
        for i in range(5)
        for name, at, length in (("G", 0, 2), ("D", 2, 2), ("C", 4, 4))
    ]


def test_sections_go_under_the_sections_of_their_name(melody: Melody) -> None:
    chords = laid(melody, "B: Em\nA: G | C | D")
    assert [name for name, _, _ in chords] == ["G", "C", "D", "G", "C", "D", "Em"]
    assert chords[-1][1:] == (24, 16)


def test_a_pickup_has_no_chord_of_its_own(sheet_of: SheetMaker) -> None:
    melody = sheet_of('D | "G"GABc | "D"d3 |]', unit="1/4").melody
    assert laid(melody, "Em | A7") == [("Em", 1, 4), ("A7", 5, 3)]


@pytest.mark.parametrize(
    ("text", "messages"),
    [
        (
            "G | C | D",
            ["found 3 bars of chords, and the tune has 10 as it is played; write as many, or a number that goes into it"],
        ),
        (
            "A: G | C\nC: D",
            [
                "section C is not in the tune; it has A, B",
                "section A has 2 bars of chords and the tune 3; write 3, or a number that goes into it",
                'section B has no chords; write a line "B: ..."',
            ],
        ),
    ],
)  # fmt: skip
def test_progressions_that_do_not_fit(melody: Melody, text: str, messages: list[str]) -> None:
    with pytest.raises(InputError) as error:
        lay_under(melody, Progression.parse(text))
    assert [str(fault) for fault in error.value.faults] == messages


def test_all_bars_are_the_tune_as_it_is_with_a_careless_full_last_bar_too(sheet_of: SheetMaker) -> None:
    melody = write_out(sheet_of('D | "G"GABc | "D"d2ef |]', unit="1/4").tune)
    kept = take_bars(melody, "1-2")
    assert spelled(kept) == spelled(melody) == "D4:1 G4:1 A4:1 B4:1 C5:1 D5:2 E5:1 F#5:1"
    assert (kept.length, kept.loop) == (melody.length, melody.loop)
    assert spelled(take_bars(melody, "1")) == "D4:1 G4:1 A4:1 B4:1"  # room for the pickup when it goes round
