"""The melody: bowing, ornaments, and what a fiddler does with marks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

import pytest

from underbow.track.parts.bowing import bow_melody
from underbow.track.performance import Gesture, Manner
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet

F = Fraction
SheetMaker = Callable[..., Sheet]


def bows(sheet: Sheet) -> str:
    """Direction of each stroke with its number of notes where it slurs."""
    return " ".join(f"{s.bow}{len(s.notes) if len(s.notes) > 1 else ''}" for s in bow_melody(sheet.melody))


@pytest.mark.parametrize(
    ("body", "meter", "expected"),
    [
        ('"G"GABc defg | "G"G8 |]', "4/4", "d u d u d u d u d"),
        ('"G"G2AB c2de | "G"G8 |]', "4/4", "d u d u d u d"),  # six strokes: the shuffle comes out by itself
        ('"G"G2AB cdef | "G"G8 |]', "4/4", "d u d u d u2 d"),  # seven: the last beat's pair is slurred
        ('"G"GAB cde | "G"G6 |]', "6/8", "d u d u d u d"),
        ('"G"G3 ABc | "G"G6 |]', "6/8", "d u d u d"),
        ('D | "G"GABc defg | "G"G7 |]', "4/4", "u d u d u d u d u d"),  # the pickup leads up to a down-bow
        ('DE | "G"GABc defg | "G"G6 |]', "4/4", "u2 d u d u d u d u d"),  # one up-bow, the last bar being a down-bow
        ('"G"(GA)Bc (de)fg | "G"G8 |]', "4/4", "d2 u d u2 d u d"),  # the tune's own slurs are kept
        ('"G"G2 z2 A2 B2 | "G"G8 |]', "4/4", "d d u d"),  # after a rest the bow begins where it will
        ('"G"vGABc ude f2 | "G"G8 |]', "4/4", "d u d u u d u d"),  # marks are obeyed
        ('"G"G uA Bc d4 | "G"G8 |]', "4/4", "d u d u d u"),
    ],
)
def test_strokes(sheet_of: SheetMaker, body: str, meter: str, expected: str) -> None:
    assert bows(sheet_of(body, meter=meter)) == expected


def melody(sheet: Sheet) -> list[Gesture]:
    return list(perform(sheet).part("melody").gestures)


def notes(gesture: Gesture) -> list[tuple[Fraction, Fraction, int]]:
    return [(note.start, note.length, note.midi) for note in gesture.notes]


@pytest.fixture
def one_pass() -> dict[str, object]:
    return {"tempo": {"start": 80, "passes": 1, "goal": 80, "count_in": 0}}


def test_slurred_notes_are_one_stroke(sheet_of: SheetMaker, one_pass: dict[str, object]) -> None:
    first = melody(sheet_of('"G"(GAB)c d4 |]', **one_pass))[0]
    assert notes(first) == [(0, F(1, 2), 67), (F(1, 2), F(1, 2), 69), (1, F(1, 2), 71)]
    assert (first.manner, first.bow) == (Manner.BOW, "d")


def test_graces_come_before_the_beat_short_and_light(sheet_of: SheetMaker, one_pass: dict[str, object]) -> None:
    before, grace, main = melody(sheet_of('"G"G4 {AB}c4 |]', **one_pass))
    short = grace.notes[0].length
    assert 0.04 < float(short) * 60 / 80 < 0.07  # seconds
    assert notes(grace) == [(2 - 2 * short, short, 69), (2 - short, short, 71)]
    assert notes(main) == [(2, 2, 72)]
    assert before.end == grace.start
    assert grace.ornament
    assert not main.ornament
    assert grace.bow == main.bow
    assert grace.notes[0].level < main.notes[0].level


def test_graces_are_as_short_at_every_tempo(sheet_of: SheetMaker) -> None:
    track = perform(sheet_of('"G"G4 {A}c4 |]', tempo={"start": 60, "goal": 120, "passes": 2, "count_in": 0}))
    lengths = [
        track.tempo.seconds(g.end) - track.tempo.seconds(g.start) for g in track.part("melody").gestures if g.ornament
    ]
    assert lengths == pytest.approx([0.055, 0.055], abs=0.001)


def test_a_grace_before_the_first_note_has_no_time_before_the_track(
    sheet_of: SheetMaker, one_pass: dict[str, object]
) -> None:
    first = melody(sheet_of('"G"{A}G4 c4 |]', **one_pass))[0]
    assert notes(first) == [(0, 2, 67)]


def test_staccato_notes_are_cut(sheet_of: SheetMaker, one_pass: dict[str, object]) -> None:
    assert [notes(g)[0][1] for g in melody(sheet_of('"G".G2 .A2 B4 |]', **one_pass))] == [F(1, 2), F(1, 2), 2]


def test_a_roll_is_one_bow_touched_above_and_below(sheet_of: SheetMaker, one_pass: dict[str, object]) -> None:
    roll = melody(sheet_of('"G"~B3 ABc |]', meter="6/8", **one_pass))[0]
    assert [note[2] for note in notes(roll)] == [71, 72, 71, 69, 71]
    assert roll.end == F(3, 2)
    assert min(n.level for n in roll.notes) == roll.notes[0].level - 4.0


def test_notes_under_the_melody_are_softer(sheet_of: SheetMaker, one_pass: dict[str, object]) -> None:
    chord = melody(sheet_of('"G"[GBd]4 c4 |]', **one_pass))[0]
    levels = {note.midi: note.level for note in chord.notes}
    assert levels[74] == levels[67] + 3.0 == levels[71] + 3.0


def test_it_leans_on_the_beats(sheet_of: SheetMaker, one_pass: dict[str, object]) -> None:
    gestures = melody(sheet_of('"G"GABc LdeA2 |]', **one_pass))
    assert [n.level for g in gestures for n in g.notes] == [-1, -3.5, -2.5, -3.5, 0, -3.5, -2.5]


@pytest.mark.parametrize(
    ("voice", "program", "manner", "strokes"),
    [
        ("fiddle", 40, Manner.BOW, 3),
        ("flute", 73, Manner.TONE, 3),
        ("accordion", 21, Manner.TONE, 3),
        ("banjo", 105, Manner.PLUCK, 5),
    ],
)
def test_other_instruments(
    sheet_of: SheetMaker, one_pass: dict[str, object], voice: str, program: int, manner: Manner, strokes: int
) -> None:
    """Programs of General MIDI 1 (MMA RP-003), counted from 0: violin 40, flute 73, accordion 21, banjo 105."""
    part = perform(sheet_of('"G"(GAB)c d4 |]', sound={"voice": voice}, **one_pass)).part("melody")
    assert part.program == program
    assert {g.manner for g in part.gestures} == {manner}
    assert len(part.gestures) == strokes
    assert (part.gestures[0].bow == "d") == (voice == "fiddle")


@pytest.mark.parametrize(
    ("voice", "program", "manner"),
    [("mandolin", 15, Manner.PLUCK), ("plain tone", 80, Manner.TONE), ("flute", 73, Manner.TONE)],
)
def test_other_instruments_have_no_bow(sheet_of: SheetMaker, voice: str, program: int, manner: Manner) -> None:
    """General MIDI (MMA RP-003), counted from 0: 15 dulcimer (there is no mandolin), 80 square lead, 73 flute."""
    part = perform(sheet_of('"G"GABc (de)fg | "C"c8 |]', sound={"voice": voice})).part("melody")
    assert part.program == program
    assert {gesture.manner for gesture in part.gestures} == {manner}
    assert {gesture.bow for gesture in part.gestures} == {""}
    assert max(len(gesture.notes) for gesture in part.gestures) == (1 if manner is Manner.PLUCK else 2)


def played_as(sheet_of: SheetMaker, dance: str, meter: str = "4/4") -> tuple[str, list[float]]:
    sheet = sheet_of(f'[R:{dance}]"G"GABc dBAF | "C"cBAG EGAB | "D"A2F2 D2F2 | "G"G8 |]', meter=meter)
    sheet = replace(sheet, tune=replace(sheet.tune, rhythm=dance))
    part = perform(sheet).part("melody")
    return "".join(str(len(g.notes)) for g in part.gestures[:8]), [n.level for g in part.gestures for n in g.notes][:8]


def test_a_reel_a_hornpipe_and_an_air_are_phrased_each_in_its_way(sheet_of: SheetMaker) -> None:
    """Common practice, no source: a reel in separate strokes, an air half a bar to a bow with a swell."""
    reel, hornpipe, air = (played_as(sheet_of, dance) for dance in ("reel", "hornpipe", "slow air"))
    assert reel == ("11111111", [-1.0, -3.5, -2.5, -3.5, -1.5, -3.5, -2.5, -3.5])
    assert hornpipe[1] == [-1.0, -4.0, -1.5, -4.0, -1.5, -4.0, -1.5, -4.0]
    assert air[0].startswith("444")
    assert max(air[1]) - min(air[1]) < max(reel[1]) - min(reel[1])


def test_an_air_swells_to_its_third_bar(sheet_of: SheetMaker) -> None:
    sheet = sheet_of(" | ".join(['"G"G8'] * 8) + " |]")
    sheet = replace(sheet, tune=replace(sheet.tune, rhythm="air"))
    levels = [g.notes[0].level for g in perform(sheet).part("melody").gestures][:8]
    assert levels[:4] == levels[4:]
    assert levels[0] < levels[1] < levels[2] > levels[3]
