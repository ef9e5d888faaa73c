"""The page's timeline against the performance it is made from: nothing else is asked but what is heard."""

from __future__ import annotations

import json
from bisect import bisect_right
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from underbow.lesson.timeline import page_timeline
from underbow.track.performance import Performance
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet, read_sheet

TRACKS = sorted((Path(__file__).parents[2] / "tracks").glob("*.toml"))
ABC = """X:1
T:Odd Corners
M:4/4
L:1/8
K:Am
P:A
EG|:"Am"A2 cA e2 cA|"N.C."G4 "G"B2 d2|[M:2/4]"C"c2 e2|[M:4/4]"Am"A6 EG:|
P:B
|:"F"f2 ag "G7"f2 eg|"C"e3 d "E"e2 ^g2|"Am"a2 e2 c2 A2|A6 z2:|
"""
# The repeat goes back to the pickup although the bar before it is full: it is evened out.
CARELESS = """X:1
T:Careless Corner
M:C|
L:1/8
K:G
DF|"G"G2BG dGBG|"C"E2 GE "D"F2 AF|1 "G"G2 D2 G2 DF:|2 "G"G2 B2 G4||
"""
# Groups of unequal length: the count-in goes in them too.
UNEVEN = """X:1
T:Uneven Corner
M:2+2+3/8
L:1/8
K:G
|:"G"GABcdef|"D"fedcBAG:|
"""
ODD: dict[str, dict[str, Any]] = {
    "plain": {},
    "form": {"form": "ABA"},
    "bars": {"bars": "3-7"},
    "form and bars": {"form": "BAB", "bars": "3-8"},
    "each": {"tempo": {"start": 80, "goal": 100, "passes": 2, "each": 2}},
    "between": {"tempo": {"start": 80, "goal": 100, "passes": 4, "each": 2, "between": 1}},
    "swing": {"pattern": "shuffle-swung"},
    "odd strokes": {"pattern": "long-chords-whole-bar"},
    "rests and chops": {"pattern": "boom-chop"},
    "lifted": {"pattern": "off-beats"},
    "glide": {"tempo": {"start": 60, "goal": 120, "passes": 3, "ramp": "glide"}},
    "tuning notes": {"sound": {"tuning_notes": True}},
    "transposed": {"key": "Dm"},
    "careless": {"abc": CARELESS},
    "uneven": {"abc": UNEVEN, "pattern": None},
}


def odd(**table: Any) -> Sheet:
    made = {"abc": ABC, "pattern": "saw", "tempo": {"start": 80, "goal": 100, "passes": 3}} | table
    return build_sheet({key: value for key, value in made.items() if value is not None})


def cases() -> list[Any]:
    made = [pytest.param(lambda path=path: read_sheet(path), id=path.stem) for path in TRACKS]
    return made + [pytest.param(lambda table=table: odd(**table), id=name) for name, table in ODD.items()]


@pytest.fixture(params=cases(), scope="module")
def made(request: pytest.FixtureRequest) -> tuple[Sheet, Performance, dict[str, Any]]:
    sheet = request.param()
    performance = perform(sheet)
    return sheet, performance, json.loads(json.dumps(page_timeline(sheet, performance)))


Made = tuple[Sheet, Performance, dict[str, Any]]


def test_every_stroke_begins_with_a_cell(made: Made) -> None:
    _, performance, data = made
    cells = sorted(cell for bar in data["bars"] for cell in bar[5])
    milliseconds = [1000 * performance.tempo.seconds(stroke.start) for stroke in performance.part("backup").gestures]
    assert milliseconds
    entry = data["bars"][0][0]
    off = [time for time in milliseconds if min(abs(time - cell) for cell in near(cells, time)) > 0.02]
    # a stroke that waits for the first chord sets in between cells
    assert [time for time in off if time > data["chords"][0][0] and time > entry + 1] in ([], off[:1])


def near(times: list[float], time: float) -> list[float]:
    at = bisect_right(times, time)
    return times[max(at - 1, 0) : at + 1]


def test_bars_follow_each_other_without_a_gap_and_are_the_performances(made: Made) -> None:
    _, performance, data = made
    bars = [bar for bar in performance.bars if bar.number > 0]
    assert [(bar[1] + 1, bar[2], bar[6]) for bar in data["bars"]] == [(b.playing, b.number, b.time) for b in bars]
    for bar, played in zip(data["bars"], bars, strict=True):
        assert bar[0] == pytest.approx(1000 * performance.tempo.seconds(played.start), abs=0.01)
        assert bar[5] == sorted(bar[5])
        name, first, count = data["sections"][bar[3]]
        assert name == played.section
        place = data["bars"].index(bar) - data["passes"][bar[1]][4]
        assert first <= place < first + count


def test_passes_and_tempos_are_the_performances(made: Made) -> None:
    _, performance, data = made
    for found, one in zip(data["passes"], performance.passes, strict=True):
        assert found[0] == pytest.approx(1000 * performance.tempo.seconds(one.start), abs=0.01)
        assert found[1] == pytest.approx(1000 * performance.tempo.seconds(one.end), abs=0.01)
        assert found[2:4] == [
            pytest.approx(float(one.tempo.count), abs=0.06),
            pytest.approx(float(one.end_tempo.count), abs=0.06),
        ]
        bar = next(bar for bar in performance.bars if bar.playing == one.playing and bar.number > 0)
        assert data["bars"][found[4]][1:3] == [one.playing - 1, bar.number]
        assert found[5:] == [one.number, one.round]
    assert data["end"] == pytest.approx(1000 * performance.tempo.seconds(performance.length), abs=0.01)


def test_the_chord_at_any_time_is_the_performances(made: Made) -> None:
    _, performance, data = made
    starts = [start for start, _ in data["chords"]]
    first = next(i for i, span in enumerate(performance.chords) if span.chord is not None)
    assert first == 0 or data["chords"][0][0] == pytest.approx(
        1000 * performance.tempo.seconds(performance.chords[first].start), abs=0.01
    )
    for span in performance.chords[first:]:
        for share in (Fraction(1, 50), Fraction(1, 2), Fraction(49, 50)):
            time = 1000 * performance.tempo.seconds(span.start + span.length * share)
            hand = data["hands"][data["chords"][bisect_right(starts, time) - 1][1]]
            assert hand["chord"].replace("♯", "#").replace("♭", "b") == ("" if span.chord is None else str(span.chord))


def test_the_fingers_are_those_that_sound(made: Made) -> None:
    sheet, performance, data = made
    starts = [start for start, _ in data["chords"]]
    shapes = {shape.label: shape for shape in sheet.shapes if shape}
    for stroke in performance.part("backup").gestures[:200]:
        for note in stroke.notes:
            time = 1000 * performance.tempo.seconds(note.start) + 0.02
            hand = data["hands"][data["chords"][bisect_right(starts, time) - 1][1]]
            label = "-".join(finger for _, finger in reversed(hand["stops"]))
            shape = next(
                shape for name, shape in shapes.items() if name.split()[-1] == label and note.midi in shape.midi
            )
            assert [string for string, _ in reversed(hand["stops"])] == [
                str(sheet.tuning.strings[string].pitch_class).replace("b", "♭").replace("#", "♯")
                for string in shape.strings
            ]


def test_beats_are_where_the_click_is(made: Made) -> None:
    _, performance, data = made
    clicks = [1000 * performance.tempo.seconds(click.start) for click in performance.part("click").gestures]
    assert data["beats"] == pytest.approx(clicks, abs=0.006)
    assert data["beats"] == sorted(set(data["beats"]))


def test_every_written_note_is_the_one_that_is_played(made: Made) -> None:
    sheet, performance, data = made
    begun = [performance.passes[0].start + note.start for note in sheet.melody.notes]
    starts = {
        round(1000 * performance.tempo.seconds(start), 2): note
        for start, note in zip(begun, sheet.melody.notes, strict=True)
    }
    first = [place for place in data["notes"] if place[0] < data["passes"][0][1]]
    for start, measure, number in first:
        note = sheet.tune.measures[measure].notes[number]
        if start in starts:
            assert starts[start].midi == note.midi
    lit = {start for start, _, _ in data["notes"]}
    assert {start for start in starts if start < data["passes"][0][1]} <= lit


def test_tied_notes_are_lit_one_after_the_other() -> None:
    sheet = odd(abc='X:1\nT:Tied\nM:4/4\nL:1/4\nK:G\n"G"GABc-|c-c BA|]', tempo={"goal": 60, "passes": 1})
    data = page_timeline(sheet, perform(sheet))
    assert data["notes"][3:6] == [[11_000, 0, 3], [12_000, 1, 0], [13_000, 1, 1]]


def test_bars_that_look_alike_share_a_picture(made: Made) -> None:
    _, _, data = made
    used = {bar[4] for bar in data["bars"]}
    assert used == set(range(len(data["pictures"])))
    assert len(data["pictures"]) <= 16
    assert len({picture["svg"] for picture in data["pictures"]}) == len(data["pictures"])
    for bar in data["bars"]:
        assert data["pictures"][bar[4]]["svg"].count('class="cell"') == len(bar[5])


def test_fingers_that_stay_are_named_between_hands() -> None:
    sheet = build_sheet(
        {
            "abc": 'X:1\nT:Two\nM:4/4\nL:1/4\nK:G\n"Em"EGBe|"G"GBdg|"C"cegc|"D"dfad|]',
            "pattern": "saw",
            "tempo": {"goal": 80, "passes": 2, "ramp": "steady"},
        }
    )
    data = page_timeline(sheet, perform(sheet))
    assert len(data["stays"]) == len(data["hands"])
    for i, row in enumerate(data["stays"]):
        assert row[i] == []
        for j, fingers in enumerate(row):
            here, there = (dict(map(tuple, data["hands"][n]["stops"])) for n in (i, j))
            for finger in fingers:
                shared = [s for s in here if here[s][-1] == there.get(s, "")[-1:] == str(finger)]
                assert shared
