"""The layout of a track: whatever the pickup, the form and the ramp, nothing overlaps and nothing is missing."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underbow.track.mixes import Mix
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet
from underbow.track.timeline import lay_out

F = Fraction
SheetMaker = Callable[..., Sheet]
METERS = {"4/4": 8, "C|": 8, "2/4": 4, "3/4": 6, "6/8": 6, "9/8": 9, "12/8": 12}  # eighths a bar


@st.composite
def sheets(draw: st.DrawFn) -> tuple[Sheet, int, int]:
    """Make a tune in eighths: two sections, perhaps a pickup, the last bar short by it or carelessly full."""
    meter = draw(st.sampled_from(sorted(METERS)))
    eighths = METERS[meter]
    pickup = draw(st.integers(0, eighths - 1))
    bars = draw(st.integers(2, 4))
    careless = draw(st.booleans())
    notes = "GABcdefg"
    one = "".join(notes[i % 8] for i in range(eighths))
    last = one if careless else one[: eighths - pickup]
    up = "DEF"[:1] * pickup
    chords = ['"G"', '"C"', '"D"', '"Em"']
    middle = " | ".join(chords[i % 4] + one for i in range(bars - 1))
    body = f'P:A\n{up} | {middle} | "G"{one} |\nP:B\n{middle} | "D"{last} |]' if pickup else (
        f'P:A\n{middle} | "G"{one} |\nP:B\n{middle} | "D"{one} |]'
    )  # fmt: skip
    count_in = draw(st.integers(0, 2))
    kind = draw(st.sampled_from(["steps", "glide"]))
    passes = draw(st.integers(2, 4))
    table = {
        "abc": f"X:1\nT:T\nM:{meter}\nL:1/8\nK:G\n{body}\n",
        "tempo": {"start": 60, "goal": 90, "passes": passes, "ramp": kind, "count_in": count_in},
        "sound": {"feel_ms": 0, "feel_db": 0},
    }
    return build_sheet(table), pickup, 2 * bars


@given(sheets())
@settings(max_examples=40, deadline=None)
def test_whatever_the_tune_the_track_is_whole(made: tuple[Sheet, int, int]) -> None:
    sheet, pickup, bars = made
    meter = sheet.tune.meter
    up = F(pickup, 2)
    track = perform(sheet)
    # passes follow one another; a pass is as long as its bars, and no doubled beat comes of the pickup
    assert track.count_in == max(meter.bar * sheet.count_in - up, 0)
    assert track.passes[0].start == track.count_in
    for one, following in pairwise(track.passes):
        assert one.end == following.start
        assert one.length == meter.bar * bars
        assert one.end_tempo == following.tempo or sheet.ramp.kind == "steps"
    assert track.passes[-1].end == track.length
    assert track.passes[-1].end_tempo.count == sheet.ramp.goal
    assert track.passes[-1].length in (meter.bar * bars, meter.bar * bars + up)
    # bars follow one another, the last and the pickup making one
    for bar, next_bar in pairwise(track.bars):
        assert bar.start + bar.length == next_bar.start
        if bar.number and next_bar.number == 0:
            assert bar.length + next_bar.length == meter.bar
        elif bar.number:
            assert bar.length == meter.bar
    # the chord holds on until the next one, over bar lines and passes
    for span, next_span in pairwise(track.chords):
        assert span.end == next_span.start
    assert track.chords[-1].end == track.length
    # tempo: every pass as long in seconds as the ramp says
    for one in track.passes:
        seconds = track.tempo.seconds(one.end) - track.tempo.seconds(one.start)
        if sheet.ramp.kind == "steps":
            assert seconds == pytest.approx(float(60 * one.length / one.tempo.quarters_per_minute), abs=1e-9)
    # clicks: every beat once, the bar's first one marked, the whole track through
    clicks = track.part("click").gestures
    starts = [click.start for click in clicks]
    first = sheet.count_in * meter.bar if sheet.count_in else up
    beat = sheet.ramp.beat
    expected = [F(0) + first + beat * i for i in range(-400, 400) if 0 <= first + beat * i < track.length]
    assert starts == expected
    assert [click.start for click in clicks if click.notes[0].midi == 76] == [
        at for at in expected if (at - first) % meter.bar == 0
    ]
    # the melody is one line: no two notes at once, none after the end
    sounded = [note for gesture in track.part("melody").gestures for note in gesture.notes]
    for note, next_note in pairwise(sounded):
        assert note.end <= next_note.start
    assert sounded[-1].end == track.length
    # it loops without a gap: this tune has no rests
    assert sum((note.length for note in sounded), F(0)) == track.length - track.count_in


@given(sheets())
@settings(max_examples=25, deadline=None)
def test_the_backup_fills_every_bar_of_a_pattern_without_rests(made: tuple[Sheet, int, int]) -> None:
    sheet, _, _ = made
    track = perform(sheet)
    for string in (0, 1):
        if any(
            set(pattern.grid.strings) - set("=.") or set(pattern.grid.bow) & set("x.") for _, pattern in sheet.patterns
        ):
            return
        notes = [n for g in track.part("backup").gestures for n in g.notes if n.string == string]
        assert notes[0].start == lay_out(sheet).whole_bars[0].start
        for note, following in pairwise(sorted(notes, key=lambda n: n.start)):
            assert note.end == following.start
        assert max(note.end for note in notes) == track.length


def test_a_careless_full_last_bar_is_cut_by_the_pickup_and_kept_at_the_end(sheet_of: SheetMaker) -> None:
    sheet = sheet_of('D | "G"GABc | "D"d2ef |]', unit="1/4", tempo={"passes": 3})
    track = perform(sheet)
    assert [one.length for one in track.passes] == [8, 8, 9]
    melody = [(n.start, n.length, n.midi) for g in track.part("melody").gestures for n in g.notes]
    zero = track.count_in
    last_bar = [note for note in melody if zero + 5 <= note[0] < zero + 9]
    assert last_bar == [(zero + 5, 2, 74), (zero + 7, 1, 76), (zero + 8, 1, 62)]  # the f gives way to the pickup
    assert melody[-1] == (track.length - 1, 1, 77 + 1)  # at the very end it is played


def test_a_long_last_note_stops_where_the_pickup_begins(sheet_of: SheetMaker) -> None:
    track = perform(sheet_of('D | "G"GABc | "D"d4 |]', unit="1/4", tempo={"passes": 2}))
    lengths = [n.length for g in track.part("melody").gestures for n in g.notes if n.midi == 74]
    assert lengths == [3, 4]


def test_a_short_last_bar_without_a_pickup_is_waited_out(sheet_of: SheetMaker) -> None:
    track = perform(sheet_of('"G"GABc | "D"d3 |]', unit="1/4"))
    assert [one.length for one in track.passes] == [8, 8]


def test_the_count_in_fits_the_pickup(sheet_of: SheetMaker) -> None:
    """Two bars of 6/8 are counted; the pickup's eighth lies in the last of their six."""
    sheet = sheet_of('D | "G"GAB cde | "D"d3 A2 |]', meter="6/8", tempo={"count_in": 2, "start": 60, "goal": 66})
    track = perform(sheet)
    assert track.count_in == 6 - F(1, 2)
    assert track.part("melody").gestures[0].start == F(11, 2)
    assert [click.start for click in track.part("click").gestures][:6] == [0, F(3, 2), 3, F(9, 2), 6, F(15, 2)]
    assert track.part("backup").gestures[0].start == 6


def test_swing_moves_positions_inside_a_pair_and_leaves_the_beats(sheet_of: SheetMaker) -> None:
    sheet = sheet_of('"G"GABc defg | "D"d8 |]', pattern="saw", sound={"swing": 0.667})
    timeline = lay_out(sheet)
    zero = timeline.whole_bars[0].start
    assert [timeline.swung(zero + F(n, 2)) - zero for n in range(5)] == [0, F(2, 3), 1, F(5, 3), 2]
    track = perform(sheet)
    melody = [n for g in track.part("melody").gestures for n in g.notes]
    assert [n.start - zero for n in melody[:4]] == [0, F(2, 3), 1, F(5, 3)]
    assert [n.length for n in melody[:4]] == [F(2, 3), F(1, 3), F(2, 3), F(1, 3)]
    strokes = track.part("backup").gestures
    assert [g.start - zero for g in strokes[:4]] == [0, F(2, 3), 1, F(5, 3)]
    assert [click.start % 1 for click in track.part("click").gestures] == [0] * len(track.part("click").gestures)


def test_swing_reaches_the_pickup(sheet_of: SheetMaker) -> None:
    track = perform(sheet_of('EF | "G"GABc defg | "D"d6 |]', pattern="saw", sound={"swing": 0.667}))
    first, second = [note for g in track.part("melody").gestures for note in g.notes][:2]
    assert (first.start, second.start) == (7, 7 + F(2, 3))


def test_a_meter_that_changes_has_its_own_bars_and_patterns(sheet_of: SheetMaker) -> None:
    sheet = sheet_of('"G"GABc defg | [M:3/4] "C"e2c2G2 | [M:4/4] "G"G8 |]', pattern="nashville-shuffle")
    timeline = lay_out(sheet)
    assert [bar.length for bar in timeline.whole_bars[:3]] == [4, 3, 4]
    assert [bar.pattern.name for bar in timeline.whole_bars[:3]] == [
        "nashville-shuffle",
        "waltz-oom-pah-pah",
        "nashville-shuffle",
    ]


def test_the_players_close_together_on_the_last_note_and_hold_it(sheet_of: SheetMaker) -> None:
    """The last note falls on beat 3 of a bar that is short by the pickup; no pickup comes, so the bar is held to its end."""
    sheet = sheet_of('D | "G"GABc | "D"dA "G"G |]', unit="1/4", pattern="saw", tempo={"passes": 3})
    track = perform(sheet)
    assert [one.length for one in track.passes] == [8, 8, 9]
    closing = track.length - 2
    melody, backup, rhythm = (track.part(name).gestures for name in ("melody", "backup", "rhythm"))
    for gestures in (melody, backup, rhythm):
        assert (gestures[-1].start, gestures[-1].end) == (closing, track.length)
        assert gestures[-2].end <= closing
    assert [note.midi for note in rhythm[-1].notes] == [43, 55, 59, 62]  # the bass and the whole chord
    assert len({note.string for note in backup[-1].notes}) == 2
    assert {backup[-2].bow, backup[-1].bow} == {"d", "u"}
    assert [note.length for g in melody for note in g.notes if note.midi == 67][-1] == 2
    between = track.passes[1].end  # nobody closes before the end
    assert [g.start for g in backup if between - 2 <= g.start < between] == [between - 2 + F(n, 2) for n in range(4)]


def test_a_soft_pattern_closes_softly(sheet_of: SheetMaker) -> None:
    backup = perform(sheet_of('"Dm"d3 e3 | "A"e3 "Dm"d3 |]', meter="6/8", pattern="slow-air-in-six")).part("backup")
    levels = [note.level for gesture in backup.gestures for note in gesture.notes]
    assert levels[-1] == max(levels) < -2.0


def test_each_tempo_is_played_several_times(sheet_of: SheetMaker) -> None:
    sheet = sheet_of('D | "G"GABc | "D"d3 |]', unit="1/4", tempo={"passes": 2, "each": 3})
    track = perform(sheet)
    assert [(one.number, one.round, one.playing) for one in track.passes] == [
        (1, 1, 1), (1, 2, 2), (1, 3, 3), (2, 1, 4), (2, 2, 5), (2, 3, 6),
    ]  # fmt: skip
    assert [int(one.tempo.count) for one in track.passes] == [60, 60, 60, 80, 80, 80]
    for one, following in pairwise(track.passes):
        assert one.end == following.start
    once = perform(sheet_of('D | "G"GABc | "D"d3 |]', unit="1/4", tempo={"start": 60, "goal": 60, "passes": 6}))
    for part, plain in zip(track.parts, once.parts, strict=True):  # the same notes, only the tempo moves
        assert [note for gesture in part.gestures for note in gesture.notes] == [
            note for gesture in plain.gestures for note in gesture.notes
        ]


@pytest.mark.parametrize("each", [1, 2])
def test_clicks_between_tempos_leave_room_for_the_pickup(sheet_of: SheetMaker, each: int) -> None:
    """Every tempo but the first is counted in at its own speed; before it the players close as at the end of a track."""
    body, tempo = 'D | "G"GABc | "D"d3 |]', {"passes": 3, "each": each, "between": 2}
    track = perform(sheet_of(body, unit="1/4", tempo=tempo))
    groups = [track.passes[i : i + each] for i in range(0, len(track.passes), each)]
    assert all(one.end == following.start for group in groups for one, following in pairwise(group))
    for before, after in pairwise(groups):
        begin, end = before[-1].end, after[0].start
        assert end - begin == 2 * 4 - 1  # the pickup lies in the second bar
        assert track.tempo.seconds(end) - track.tempo.seconds(begin) == pytest.approx(
            7 * 60 / float(after[0].tempo.count)
        )
        clicks = [click.start - begin for click in track.part("click").gestures if begin <= click.start < end + 1]
        assert clicks == list(range(8))
        for name in ("melody", "backup", "rhythm"):
            assert not [g for g in track.part(name).gestures if begin <= g.start < end]
            (last,) = [g for g in track.part(name).gestures if g.end == begin]
            assert last.start == begin - 4  # the last note's bar, held
        assert [note.midi for g in track.part("melody").gestures for note in g.notes if note.start == end] == [62]
    alone = perform(sheet_of(body, unit="1/4", tempo={"start": 60, "goal": 60, "passes": each}))
    for part, plain in zip(track.parts, alone.parts, strict=True):  # the first tempo is a track of its own
        own = [(g.start, g.end, g.bow) for g in part.gestures if g.start < groups[0][-1].end]
        assert own == [(g.start, g.end, g.bow) for g in plain.gestures]


def test_a_drone_and_tuning_notes_go_with_breaks_between_tempos(sheet_of: SheetMaker) -> None:
    sheet = sheet_of(
        '"G"GABc | "D"d4 |]', unit="1/4", tempo={"passes": 2, "between": 1}, sound={"drone": True, "tuning_notes": True}
    )
    track = perform(sheet)
    assert [(g.start, g.end) for g in track.part("drone").gestures] == [(one.start, one.end) for one in track.passes]
    assert track.part("tuning").gestures[-1].end <= track.part("click").gestures[0].start


def test_mixes_go_by_tempo_and_turns_by_playing(sheet_of: SheetMaker) -> None:
    track = perform(sheet_of('"G"G8 | "D"d8 |]', tempo={"passes": 2, "each": 2}))
    fading = Mix("fading", (("backup", (0.0, -6.0)),))
    turns = Mix("turns", (("backup", (0.0, None)),), turns=True)
    assert [fading.level("backup", one.number, one.playing) for one in track.passes] == [0.0, 0.0, -6.0, -6.0]
    assert [turns.level("backup", one.number, one.playing) for one in track.passes] == [0.0, None, 0.0, None]


def test_the_last_pass_ends_on_the_tunes_last_note_and_not_on_the_next_pickup(sheet_of: SheetMaker) -> None:
    """Between passes the pickup leads on; at the very end the last note is held in its place."""
    track = perform(sheet_of('E|:"G"GABc|"D"A3E:|', unit="1/4", tempo={"passes": 2}))
    notes = [note for gesture in track.part("melody").gestures for note in gesture.notes]
    assert (notes[-1].midi, notes[-1].length, notes[-1].end) == (69, 4, track.length)
    pickups = [note.start for note in notes if note.midi == 64]
    assert pickups == [one.start + at for one in track.passes for at in (0, 8)]  # and before the repeat


def test_a_pass_is_called_by_its_tempo_and_its_round(sheet_of: SheetMaker) -> None:
    track = perform(sheet_of('"G"G8 |]', tempo={"passes": 2, "each": 2}))
    assert [one.title for one in track.passes] == [
        "pass 1, 1/4 = 60", "pass 1, round 2, 1/4 = 60", "pass 2, 1/4 = 80", "pass 2, round 2, 1/4 = 80",
    ]  # fmt: skip
