"""The guitar and the click. The figures are common practice, no source."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underbow.theory.chord import QUALITIES, Chord
from underbow.theory.meter import Meter
from underbow.track.parts.guitar import bass_note, figure, voicing
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet

F = Fraction
SheetMaker = Callable[..., Sheet]


@pytest.mark.parametrize(
    ("meter", "basses", "chords"),
    [
        ("4/4", "0 2", "1 3"),
        ("C|", "0 2", "1 3"),
        ("2/4", "0 1", "1/2 3/2"),
        ("3/4", "0", "1 2"),
        ("3/8", "0", "1/2 1"),
        ("6/8", "0 3/2", "1 5/2"),
        ("9/8", "0 3/2 3", "1 5/2 4"),
        ("12/8", "0 3/2 3 9/2", "1 5/2 4 11/2"),
        ("3/2", "0 2 4", "1 3 5"),
        ("5/4", "0 3", "1 2 4"),
        ("7/4", "0 3 5", "1 2 4 6"),
        ("(3+2+2)/8", "0 3/2 5/2", "1/2 1 2 3"),
    ],
)
def test_the_figure_suits_the_meter(meter: str, basses: str, chords: str) -> None:
    hits = figure(Meter.parse(meter))
    assert " ".join(str(hit.start) for hit in hits if hit.bass) == basses
    assert " ".join(str(hit.start) for hit in hits if not hit.bass) == chords


CHORDS = st.builds(
    lambda root, quality: Chord.parse(root + quality),
    st.sampled_from(["C", "C#", "Db", "D", "Eb", "E", "F", "F#", "Gb", "G", "Ab", "A", "Bb", "B"]),
    st.sampled_from(sorted(QUALITIES)),
)


@given(CHORDS, st.integers(0, 5))
def test_every_chord_lies_well_for_a_guitar(chord: Chord, turn: int) -> None:
    notes = voicing(chord)
    assert 2 <= len(notes) <= 4
    assert len(set(notes)) == len(notes)
    assert {note % 12 for note in notes} <= set(chord.numbers)
    assert chord.numbers[1] % 12 in {note % 12 for note in notes}  # the third, or what stands for it
    assert all(52 <= note < 64 for note in notes)
    bass = bass_note(chord, turn)
    assert 40 <= bass <= 58
    assert bass % 12 in chord.numbers


@pytest.mark.parametrize(
    ("symbol", "first", "second"),
    [
        ("G", 43, 50),
        ("C", 48, 43),
        ("D", 50, 45),
        ("A", 45, 40),
        ("E", 40, 47),
        ("Bdim", 47, 41),
        ("D/F#", 42, 50),
        ("G/A", 45, 55),
    ],
)
def test_the_bass_alternates_and_respects_what_is_written_below_the_stroke(
    symbol: str, first: int, second: int
) -> None:
    chord = Chord.parse(symbol)
    assert (bass_note(chord, 0), bass_note(chord, 1), bass_note(chord, 2)) == (first, second, first)


def hits(sheet: Sheet) -> list[tuple[Fraction, tuple[int, ...]]]:
    return [(g.start, tuple(n.midi for n in g.notes)) for g in perform(sheet).part("rhythm").gestures]


def test_boom_chuck(sheet_of: SheetMaker) -> None:
    sheet = sheet_of('"G"G8 | "C"c8 |]', tempo={"start": 80, "goal": 80, "passes": 1, "count_in": 0})
    assert hits(sheet) == [
        (0, (43,)), (1, (55, 59, 62)), (2, (50,)), (3, (55, 59, 62)),
        (4, (48, 52, 55, 60)),
    ]  # fmt: skip


def test_a_waltz_alternates_from_bar_to_bar_and_begins_anew_with_a_chord(sheet_of: SheetMaker) -> None:
    sheet = sheet_of(
        '"G"G6 | "G"B6 | "D"A6 | "D"d6 | "G"G6 |]',
        meter="3/4",
        tempo={"passes": 1, "start": 80, "goal": 80, "count_in": 0},
    )
    assert [pitches for at, pitches in hits(sheet) if at % 3 == 0][:-1] == [(43,), (50,), (50,), (45,)]


def test_two_chords_in_a_bar(sheet_of: SheetMaker) -> None:
    sheet = sheet_of('"G"G4 "D"d4 | "G"G8 |]', tempo={"passes": 1, "start": 80, "goal": 80, "count_in": 0})
    assert [pitches[0] for _, pitches in hits(sheet)] == [43, 55, 50, 54, 43]


def test_nothing_is_struck_where_no_chord_sounds(sheet_of: SheetMaker) -> None:
    sheet = sheet_of("G8 | c8 |]", progression="G | -", tempo={"passes": 2, "count_in": 0})
    assert {at // 4 for at, _ in hits(sheet)} == {0, 2}


@pytest.mark.parametrize(
    ("meter", "beat", "clicks", "firsts"),
    [
        ("4/4", "1/4", "0 1 2 3 4 5 6 7", "0 4"),
        ("4/4", "1/2", "0 2 4 6", "0 4"),
        ("C|", "1/2", "0 2 4 6", "0 4"),
        ("6/8", "3/8", "0 3/2 3 9/2", "0 3"),
        ("6/8", "1/8", "0 1/2 1 3/2 2 5/2 3 7/2 4 9/2 5 11/2", "0 3"),
        ("9/8", "3/8", "0 3/2 3 9/2 6 15/2", "0 9/2"),
        ("3/4", "1/4", "0 1 2 3 4 5", "0 3"),
        ("(3+2+2)/8", "1/8", "0 3/2 5/2 7/2 5 6", "0 7/2"),
    ],
)
def test_the_click_goes_on_the_beat_that_is_counted(
    sheet_of: SheetMaker, meter: str, beat: str, clicks: str, firsts: str
) -> None:
    bar = Meter.parse(meter).bar * 2
    sheet = sheet_of(
        f'"G"G{bar} |]', meter=meter, tempo={"beat": beat, "start": 100, "goal": 100, "passes": 1, "count_in": 1}
    )
    played = perform(sheet).part("click")
    assert " ".join(str(g.start) for g in played.gestures) == clicks
    high = [g for g in played.gestures if g.notes[0].midi == 76]
    assert " ".join(str(g.start) for g in high) == firsts
    assert {g.notes[0].level for g in high} == {0.0}
    assert played.program == -1


@pytest.mark.parametrize(
    ("count_in", "clicks", "firsts"),
    [(0, "0 1 2 3 4 5 6", "1 3 5"), (1, "0 1 2 3 4 5 6", "1 3 5"), (2, "0 1 2 3 4 5 6 7", "0 2 4 6")],
)
def test_the_count_in_leads_to_the_first_bar_also_after_a_pickup_longer_than_a_bar(
    sheet_of: SheetMaker, count_in: int, clicks: str, firsts: str
) -> None:
    tempo = {"start": 100, "goal": 100, "passes": 1, "count_in": count_in}
    played = perform(sheet_of('G2A2B2 | [M:2/4]"G"G2B2 | "D"d2A2 |]', tempo=tempo)).part("click").gestures
    assert " ".join(str(g.start) for g in played) == clicks
    assert " ".join(str(g.start) for g in played if g.notes[0].midi == 76) == firsts


def test_the_click_is_never_humanised(sheet_of: SheetMaker) -> None:
    sheet = sheet_of('"G"G8 | "C"c8 |]', sound={"feel_ms": 10, "feel_db": 1})
    assert {g.offset for g in perform(sheet).part("click").gestures} == {0.0}
