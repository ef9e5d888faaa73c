"""Sheets that are right: what is not written follows from what is."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from underbow.errors import InputError
from underbow.track.mixes import STANDARD_MIXES
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet, read_sheet

F = Fraction
SheetMaker = Callable[..., Sheet]
OURS = sorted(entry.name for entry in files("underbow.tracks").iterdir() if entry.name.endswith(".toml"))


def test_there_are_sheets_of_our_own() -> None:
    assert len(OURS) >= 4


@pytest.mark.parametrize("name", OURS)
def test_our_own_sheets_are_right(name: str) -> None:
    sheet = read_sheet(str(files("underbow.tracks") / name))
    track = perform(sheet)
    assert track.passes[-1].end_tempo.count == sheet.ramp.goal
    assert [part.name for part in track.parts] == ["melody", "backup", "rhythm", "click"]
    assert all(part.gestures for part in track.parts)
    assert len(sheet.shapes) == len(sheet.melody.chords)


ABC = 'X:1\nT:Eight bars\nR:reel\nM:C|\nL:1/4\nK:G\nP:A\n"G"GABc|"C"edcB|"D"ABAF|"G"G4||\nP:B\n"G"dBdB|"C"cecA|"D"FAdA|"G"G4|]\n'


def test_the_least_that_a_sheet_can_say() -> None:
    sheet = build_sheet({"abc": ABC})
    assert sheet.title == "Eight bars"
    assert {name for name, _ in sheet.patterns} == {"A", "B"}
    pattern = sheet.pattern("A")
    assert (sheet.ramp.beat, sheet.ramp.passes, sheet.ramp.kind) == (2, 6, "steps")
    scale = pattern.tempo.beat / 2
    assert (sheet.ramp.start, sheet.ramp.goal) == (pattern.tempo.low * scale, pattern.tempo.high * scale)
    assert sheet.mixes == STANDARD_MIXES
    assert (sheet.count_in, sheet.tuning.name, sheet.strings, sheet.voice) == (2, "GDAE", "low", "fiddle")
    assert (sheet.concert_pitch, sheet.loudness, sheet.seed) == (440.0, -16.0, 0)
    assert sheet.room == "small"
    assert (sheet.drone, sheet.tuning_notes) == (False, False)
    assert [str(fault) for fault in sheet.told] == [
        f"pattern: no pattern given; using {pattern.name}, which suits the tune"
    ]


@pytest.mark.parametrize(
    ("tempo", "expected"),
    [
        ({"start": 60, "goal": 104, "passes": 8}, ("steps", 60, 104, 8)),
        ({"start": 60, "goal": 104, "step": 6}, ("steps", 60, 104, 9)),
        ({"start": 60, "goal": 104, "step": 6, "passes": 9}, ("steps", 60, 104, 9)),
        ({"start": 60, "goal": 104, "ramp": "glide"}, ("glide", 60, 104, 6)),
        ({"goal": 90, "ramp": "steady"}, ("steady", 90, 90, 4)),
        ({"start": 90, "ramp": "steady", "passes": 2}, ("steady", 90, 90, 2)),
        ({"goal": 90, "passes": 1}, ("steps", 90, 90, 1)),
        ({"goal": 40}, ("steps", 24, 40, 6)),  # below the pattern's range: from 60 per cent of it
    ],
)
def test_tempos(tempo: dict[str, Any], expected: tuple[str, int, int, int]) -> None:
    ramp = build_sheet({"abc": ABC, "pattern": "nashville-shuffle", "tempo": tempo}).ramp
    assert (ramp.kind, ramp.start, ramp.goal, ramp.passes) == expected


@pytest.mark.parametrize(
    ("meter", "bar", "beat", "value"),
    [
        ("6/8", 6, None, F(3, 2)),
        ("9/8", 9, None, F(3, 2)),
        ("C|", 8, None, F(2)),
        ("4/4", 8, None, F(1)),
        ("4/4", 8, "1/2", F(2)),
        ("3/4", 6, "3/4", F(3)),
        ("6/8", 6, "6/8", F(3)),
        ("6/8", 6, "1/8", F(1, 2)),
    ],
)
def test_the_beat_is_the_meters_unless_another_counts_it(
    sheet_of: SheetMaker, meter: str, bar: int, beat: str | None, value: Fraction
) -> None:
    tempo = {"start": 60, "goal": 70} | ({"beat": beat} if beat else {})
    assert sheet_of(f'"G"G{bar} |]', meter=meter, tempo=tempo).ramp.beat == value


@pytest.mark.parametrize(
    ("meter", "bar", "beat"), [("6/8", 6, "1/4"), ("3/4", 6, "1/2"), ("4/4", 8, "3/8"), ("9/8", 9, "9/16")]
)
def test_a_beat_that_the_bar_is_not_counted_in(sheet_of: SheetMaker, meter: str, bar: int, beat: str) -> None:
    with pytest.raises(InputError, match=r"expected a note value that counts the beats of"):
        sheet_of(f'"G"G{bar} |]', meter=meter, tempo={"beat": beat})


def test_the_sheets_changes_go_before_the_tunes(sheet_of: SheetMaker) -> None:
    sheet = sheet_of('"G"G8 | "C"c8 |]', progression="Em | A7")
    assert [str(span.chord) for span in sheet.melody.chords] == ["Em", "A7"]
    assert str(sheet.progression) == "Em | A7"


def test_the_key_moves_the_tune_and_its_chords() -> None:
    abc = 'X:1\nT:T\nM:4/4\nL:1/4\nK:Edor\n"Em"EGBc | "D"d4 |]\n'
    sheet = build_sheet({"abc": abc, "key": "A", "pattern": "saw"})
    assert str(sheet.tune.key) == "Ador"
    assert [note.midi % 12 for note in sheet.melody.notes] == [9, 0, 4, 6, 7]
    assert [str(span.chord) for span in sheet.melody.chords] == ["Am", "G"]
    assert sheet.told == ()


def test_a_mode_that_is_not_the_tunes_is_told() -> None:
    sheet = build_sheet({"abc": ABC, "key": "Am", "pattern": "saw"}, file="s.toml")
    assert len(sheet.told) == 1
    assert str(sheet.told[0]).startswith("s.toml: key: the tune stays major")


@pytest.mark.parametrize(
    ("table", "meter", "bars", "chords"),
    [
        ({"compose": {"seed": 3}}, "4/4", 4, "C G D A"),
        ({"compose": {"seed": 3, "bars": 6}}, "4/4", 6, "C G D A C G"),
        ({"compose": {"dance": "jig"}}, "6/8", 4, "C G D A"),
        ({"compose": {}, "meter": "3/4"}, "3/4", 4, "C G D A"),
        ({"compose": {}, "pattern": "slip-jig"}, "9/8", 4, "C G D A"),
        ({"compose": {}, "bars": "2-3"}, "4/4", 2, "G D"),
    ],
)
def test_a_melody_composed_over_the_changes(table: dict[str, Any], meter: str, bars: int, chords: str) -> None:
    sheet = build_sheet({"progression": "C | G | D | A", **table})
    assert str(sheet.tune.meter) == meter
    assert len(sheet.melody.bars) == bars
    assert " ".join(str(span.chord) for span in sheet.melody.chords) == chords
    assert sheet.melody.notes
    assert build_sheet({"progression": "C | G | D | A", **table}) == sheet


@pytest.mark.parametrize(("hand", "shapes"), [("steady", "0-0 3-1 1-0 0-0"), ("nearest", "0-0 3-3 1-0 0-0")])
def test_the_hand_is_steady_unless_the_nearest_shapes_are_asked_for(hand: str, shapes: str) -> None:
    table: dict[str, Any] = {"abc": ABC, "form": "A", "pattern": "saw", "hand": hand}
    assert " ".join(str(shape) for shape in build_sheet(table).shapes) == shapes
    if hand == "steady":
        del table["hand"]
        assert " ".join(str(shape) for shape in build_sheet(table).shapes) == shapes


def test_a_tune_without_chords_gets_some_and_says_so() -> None:
    bare = "".join(part for i, part in enumerate(ABC.split('"')) if i % 2 == 0)
    sheet = build_sheet({"abc": bare, "pattern": "saw"}, file="s.toml")
    assert all(span.chord for span in sheet.melody.chords)
    assert sheet.progression is not None
    chords = str(sheet.progression).replace("\n", "   ")
    assert [str(fault) for fault in sheet.told if fault.where == "progression"] == [
        f"s.toml: progression: the tune has no chords; these were worked out: {chords}"
    ]
    assert perform(sheet).part("backup").gestures


def test_form_then_bars_then_what_is_left_is_looped(sheet_of: SheetMaker) -> None:
    body = 'P:A\n"G"G8 | "C"c8 ||\nP:B\n"D"d8 | "Em"e8 |]'
    sheet = sheet_of(body, form="BA", bars="2-3")
    assert [str(span.chord) for span in sheet.melody.chords] == ["C", "D"]
    assert [note.midi for note in sheet.melody.notes] == [72, 74]
    assert str(sheet.told[0]) == (
        "bars: these are bars as printed; counted as they are played it would be bar 4 to bar 1"
    )
    assert {name for name, _ in sheet.patterns} == {"A", "B"}


def test_a_pattern_by_a_name_that_players_use(sheet_of: SheetMaker) -> None:
    assert sheet_of('"G"G8 |]', pattern="Nashville Shuffle").pattern("A").name == "nashville-shuffle"


def test_a_pattern_file_beside_the_sheet(tmp_path: Path) -> None:
    (tmp_path / "bows").mkdir()
    own = (files("underbow.patterns") / "saw.toml").read_text("utf-8")
    (tmp_path / "bows" / "mine.toml").write_text(own, "utf-8")
    (tmp_path / "tune.abc").write_text(ABC, "utf-8")
    (tmp_path / "sheet.toml").write_text('tune = "tune.abc"\npattern = "bows/mine.toml"\n', "utf-8")
    assert read_sheet(tmp_path / "sheet.toml").pattern("B").name == "mine"


def test_a_sheet_with_windows_line_ends_and_a_mark_at_its_start(tmp_path: Path) -> None:
    (tmp_path / "tune.abc").write_text(ABC, "utf-8")
    (tmp_path / "sheet.toml").write_bytes(
        b'\xef\xbb\xbftitle = "A"\r\ntune = "tune.abc"\r\n[tempo]\r\nstart = 60\r\ngoal = 70\r\n'
    )
    assert read_sheet(tmp_path / "sheet.toml").ramp.goal == 70


def test_mixes_of_ones_own(sheet_of: SheetMaker) -> None:
    mixes = [
        {"name": "mine", "melody": 0, "backup": [-6, "off"], "click": -9.5},
        {"name": "turns", "turns": True, "melody": [0, "off"]},
    ]
    first, second = sheet_of('"G"G8 |]', mix=mixes).mixes
    assert [first.level("backup", n) for n in (1, 2, 3)] == [-6.0, None, None]
    assert first.level("click", 7) == -9.5
    assert first.level("rhythm", 1) is None
    assert [second.level("melody", n) for n in (1, 2, 3)] == [0.0, None, 0.0]


def test_a_pinned_shape(sheet_of: SheetMaker) -> None:
    sheet = sheet_of('"G"G8 | "C"c8 |]', shapes={"C": "0-1"})
    assert [shape.label for shape in sheet.shapes if shape] == ["0-0", "0-1"]
    assert sheet.pinned == (("C", "0-1"),)


def test_a_chord_written_two_ways_is_one(sheet_of: SheetMaker) -> None:
    sheet = sheet_of('"Am"A8 |]', shapes={"Amin": "1-1"})
    assert [shape.label for shape in sheet.shapes if shape] == ["1-1"]


def test_the_same_table_gives_the_same_performance(sheet_of: SheetMaker) -> None:
    sound = {"feel_ms": 4, "feel_db": 0.4, "seed": 7}
    first, second = (perform(sheet_of('"G"GABc defg |]', sound=sound)) for _ in range(2))
    assert first == second


def test_feel_is_small_seeded_and_can_be_none(sheet_of: SheetMaker) -> None:
    def offsets(**sound: float) -> list[float]:
        track = perform(sheet_of('"G"GABc defg | "C"c8 |]', sound=sound))
        return [g.offset for name in ("melody", "backup", "rhythm") for g in track.part(name).gestures]

    felt = offsets(feel_ms=4, seed=1)
    assert 0.003 < max(map(abs, felt)) <= 0.004
    assert len(set(felt)) > len(felt) / 2
    assert felt != offsets(feel_ms=4, seed=2)
    assert set(offsets(feel_ms=0)) == {0.0}


def test_feel_moves_levels_a_little_and_never_above_full(sheet_of: SheetMaker) -> None:
    plain = perform(sheet_of('"G"GABc LdefLg | "C"c8 |]'))
    felt = perform(sheet_of('"G"GABc LdefLg | "C"c8 |]', sound={"feel_db": 1.0}))
    for name in ("melody", "backup", "rhythm"):
        before = [n.level for g in plain.part(name).gestures for n in g.notes]
        after = [n.level for g in felt.part(name).gestures for n in g.notes]
        assert before != after
        assert max(abs(a - b) for a, b in zip(before, after, strict=True)) <= 1.0
        assert max(after) <= 0.0


def test_a_drone_on_tonic_and_fifth(sheet_of: SheetMaker) -> None:
    track = perform(sheet_of('"Em"E8 | "D"D8 |]', key="Edor", sound={"drone": True}))
    drone = track.part("drone")
    assert {n.midi for g in drone.gestures for n in g.notes} == {52, 59}
    assert drone.gestures[0].start == track.count_in
    assert drone.gestures[-1].end == track.length


def test_tuning_notes_come_before_the_count_in_and_move_everything(sheet_of: SheetMaker) -> None:
    plain = perform(sheet_of('A | "G"G8 | "D"d7 |]', tuning="AEAE"))
    tuned = perform(sheet_of('A | "G"G8 | "D"d7 |]', tuning="AEAE", sound={"tuning_notes": True}))
    by = tuned.count_in - plain.count_in
    assert by % 4 == 0
    notes = [n for g in tuned.part("tuning").gestures for n in g.notes]
    assert [n.midi for n in notes] == [69, 76, 64, 57]
    assert notes[-1].end <= by
    assert tuned.tempo.seconds(by) >= 12.0
    for name in ("melody", "backup", "rhythm", "click"):
        assert [g.start - by for g in tuned.part(name).gestures] == [g.start for g in plain.part(name).gestures]
    for before, after in zip(plain.passes, tuned.passes, strict=True):
        length = tuned.tempo.seconds(after.end) - tuned.tempo.seconds(after.start)
        assert length == pytest.approx(plain.tempo.seconds(before.end) - plain.tempo.seconds(before.start), abs=1e-12)


def test_far_too_many_strokes_are_refused(sheet_of: SheetMaker) -> None:
    body = " | ".join(['"G"GABc defg'] * 84) + " |]"
    sheet = sheet_of(body, tempo={"start": 390, "goal": 400, "passes": 200})
    with pytest.raises(InputError, match=r"the maximum is 500000: write fewer passes or bars"):
        perform(sheet)


def test_tunes_of_a_printed_collection_are_taken_with_their_pickups() -> None:
    """Ryan's Mammoth Collection (1883), as music21 carries it: every 26th tune; the one refused lacks notes in two bars."""
    music21 = pytest.importorskip("music21")
    files = sorted((Path(music21.__file__).parent / "corpus" / "ryansMammoth").glob("*.abc"))[::26]
    assert len(files) > 40
    refused = []
    for path in files:
        try:
            sheet = build_sheet({"abc": path.read_bytes().decode("latin-1"), "progression": "G"})
        except InputError as error:
            refused.append((path.stem, [fault.where for fault in error.faults]))
        else:
            bars = [bar for bar in sheet.melody.bars[:-1] if bar.number]
            assert all(bar.length == bar.meter.bar for bar in bars), path.stem
    assert refused == [
        ("TomDeeringsRamblesReel", ["abc, line 12, bar 4, section A", "abc, line 15, bar 12, section B"])
    ]


def test_only_what_is_not_as_asked_for_is_told(sheet_of: SheetMaker) -> None:
    """That a shape fits another chord too, or leaves out a seventh, is the shapes command's to tell."""
    assert sheet_of('"G"G8 | "Em"E8 | "D7"d8 | "Bm"B8 |]', pattern="saw").told == ()
    drone = sheet_of('"G"G8 | "A"a8 |]', pattern="saw", shapes={"A": "1-0"})
    assert [fault.where for fault in drone.told] == ["shapes"]


@pytest.mark.parametrize(
    ("progression", "told"),
    [
        ("G C D G", "there is one bar of chords, G C D G; for a bar each write G | C | D | G"),
        ("A: G C D", "section A has one bar of chords, G C D; for a bar each write G | C | D"),
        ("G D", None),
        ("G C D G | C", None),
    ],
)
def test_chords_that_all_stand_in_one_bar_are_told(sheet_of: SheetMaker, progression: str, told: str | None) -> None:
    sheet = sheet_of("GABc | d4 | GABc | d4 |]", unit="1/4", progression=progression)
    found = [fault.what for fault in sheet.told if "bar of chords" in str(fault)]
    assert found == ([] if told is None else [told])
