"""The pattern library as a table: what holds for every row, what the sources say of some, and which is chosen unasked."""

from __future__ import annotations

import json
import re
import unicodedata
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest

from underbow.errors import InputError
from underbow.fiddle.drawing.grid_text import MARK, draw, pattern_json, spoken
from underbow.fiddle.pattern import Pattern, default_pattern, find_pattern, kebab, library, read_pattern
from underbow.theory.meter import Meter

PATTERNS = library()
FOLDER = Path(__file__).parents[2] / "patterns"


@pytest.fixture(params=PATTERNS.values(), ids=PATTERNS.keys())
def pattern(request: pytest.FixtureRequest) -> Pattern:
    """Each row of the library in turn; a failure names it."""
    row: Pattern = request.param
    return row


def sounds(pattern: Pattern, bars: int | None = None) -> str:
    strokes = pattern.grid.strokes() if bars is None else pattern.grid.play(bars)
    return "".join(stroke.bow for stroke in strokes)


def cells_with(pattern: Pattern, row: str, symbols: str) -> list[int]:
    return [at for at, symbol in enumerate(getattr(pattern.grid, row)) if symbol in symbols]


class TestEveryRow:
    def test_fills_its_bars(self, pattern: Pattern) -> None:
        grid = pattern.grid
        assert len(grid.bow) == len(grid.accent) == len(grid.strings) == grid.bars * grid.cells
        assert grid.cell * grid.cells == grid.meter.bar

    def test_strokes_alternate_unless_slurred_retaken_or_chopped(self, pattern: Pattern) -> None:
        row = sounds(pattern, 4 * pattern.grid.bars)
        same = [a + b for a, b in pairwise(row) if a == b and a != "x"]
        assert pattern.grid.retake or not same, f"{pattern.name}: {row}"

    def test_retake_only_where_it_is_needed(self, pattern: Pattern) -> None:
        row = sounds(pattern, 2 * pattern.grid.bars)
        assert not pattern.grid.retake or "dd" in row or "uu" in row

    def test_covers_the_bar_from_rest_unless_it_rests(self, pattern: Pattern) -> None:
        sounding = sum((s.length for s in pattern.grid.play(pattern.grid.bars)), Fraction(0))
        resting = pattern.grid.bow.count(".") * pattern.grid.cell
        assert sounding + resting == pattern.grid.length

    def test_accents_tell_strong_from_weak(self, pattern: Pattern) -> None:
        levels = {p.level for s in pattern.grid.strokes() for p in s.pulses}
        even = pattern.name.startswith(("long-chords", "off-beat", "waltz-long", "slow-air"))
        assert even or len(levels) > 1
        assert all(-18 < level <= 0 for level in levels)

    def test_is_described(self, pattern: Pattern) -> None:
        assert pattern.title
        assert pattern.source == "common practice" or re.search(r"\.(com|net|org|ie)|archive|page", pattern.source)
        assert 40 < len(pattern.about) < 300
        assert pattern.about.endswith(".")

    def test_tempos_are_a_learners_to_a_dancers(self, pattern: Pattern) -> None:
        tempo = pattern.tempo
        assert tempo.low <= 0.7 * tempo.high  # practice begins at 50 to 70 per cent: common practice, no source
        assert (pattern.grid.meter.bar / tempo.beat).denominator == 1
        shortest = min(p.length for s in pattern.grid.strokes() for p in s.pulses)
        if pattern.grid.swing == 0.5:  # nobody bows more than about 16 a second: common practice, no source
            assert shortest / tempo.beat * 60 / tempo.high > 1 / 16

    def test_file_is_named_for_it(self, pattern: Pattern) -> None:
        assert pattern.name == kebab(pattern.name)
        file = FOLDER / f"{pattern.name}.toml"
        assert read_pattern(file.read_text("utf-8"), file.name) == pattern

    def test_found_by_any_of_its_names(self, pattern: Pattern) -> None:
        for name in (pattern.name, pattern.title, *pattern.aka, pattern.name.upper().replace("-", " ")):
            assert find_pattern(name) == pattern, name

    def test_can_be_read_aloud_a_word_a_cell(self, pattern: Pattern) -> None:
        words = re.findall(r"[a-z]+", spoken(pattern.grid))
        said = {"down": "d", "up": "u", "hold": "-", "push": "~", "chop": "x", "rest": "."}
        assert "".join(said[word] for word in words) == pattern.grid.bow

    @pytest.mark.parametrize("width", [80, 60])
    def test_picture_fits_and_shows_the_grid(self, pattern: Pattern, width: int) -> None:
        lines = draw(pattern, width).splitlines()
        assert max(map(len, lines)) <= width
        assert all(unicodedata.east_asian_width(sign) not in "WF" for line in lines for sign in line)
        bow = "".join(line.partition("│")[2] for line in lines if line.startswith("     bow"))
        marks = [sign for sign in bow if sign in "⊓Vx~"]
        assert marks == [MARK[symbol] for symbol in pattern.grid.bow if symbol in "dux~"]
        strings = "".join(line.partition("│")[2] for line in lines if line.startswith(" strings"))
        assert re.sub(r"[ │]", "", strings) == pattern.grid.strings.replace(".", "")

    def test_json_is_what_is_played(self, pattern: Pattern) -> None:
        data = json.loads(json.dumps(pattern_json(pattern)))
        assert {"name", "title", "meter", "cells", "bow", "accent", "strings", "strokes", "source"} <= data.keys()
        assert len(data["strokes"]) == len(pattern.grid.strokes())
        for stroke, told in zip(pattern.grid.strokes(), data["strokes"], strict=True):
            assert (Fraction(told["start"]), Fraction(told["length"]), told["bow"]) == (
                stroke.start,
                stroke.length,
                stroke.bow,
            )
            assert [(Fraction(p["start"]), p["level"]) for p in told["pulses"]] == [
                (p.start, p.level) for p in stroke.pulses
            ]


class TestTheTable:
    def test_no_two_rows_are_the_same(self) -> None:
        grids = [p.grid for p in PATTERNS.values()]
        rows = [(g.meter.bar, g.cells, g.bow, g.accent, g.strings, g.swing) for g in grids]
        assert len(set(rows)) == len(rows)

    def test_no_name_is_used_twice(self) -> None:
        names = [word for p in PATTERNS.values() for word in {kebab(p.name), kebab(p.title), *map(kebab, p.aka)}]
        assert sorted(names) == sorted(set(names))

    def test_is_sorted_and_complete(self) -> None:
        assert list(PATTERNS) == sorted(PATTERNS)
        assert {path.stem for path in FOLDER.glob("*.toml")} == set(PATTERNS)
        assert len(PATTERNS) >= 40

    def test_can_not_be_spoilt_by_a_caller(self) -> None:
        library().clear()
        assert library() == PATTERNS

    def test_every_meter_of_the_dances_is_there(self) -> None:
        meters = {str(p.grid.meter) for p in PATTERNS.values()}
        assert {"2/4", "2/2", "4/4", "3/4", "3/2", "6/8", "9/8", "12/8"} <= meters


class TestWhatTheSourcesSay:
    def test_nashville_shuffle_is_long_short_short(self) -> None:
        # fiddlehangout.com/blog/2526: "d d u d u u d u"; six strokes a bar, each half bar turning the bow
        shuffle = find_pattern("nashville-shuffle")
        assert sounds(shuffle) == "dud" + "udu"
        assert [s.length for s in shuffle.grid.strokes()] == [1, Fraction(1, 2), Fraction(1, 2)] * 2
        assert cells_with(shuffle, "accent", "9") == [2, 6]

    def test_offset_shuffle_is_the_same_six_motions_moved(self) -> None:
        # fiddlehangout.com/blog/2526
        lengths = [s.length for s in find_pattern("nashville-shuffle").grid.strokes()]
        moved = [s.length for s in find_pattern("offset-shuffle").grid.strokes()]
        assert moved == lengths[1:] + lengths[:1]

    def test_georgia_shuffle_slurs_three_and_bows_one(self) -> None:
        # archive.fiddlesessions.com, August 2007; joeweed.com; 100fiddletunes.com: single note down on 2 and 4, slur up
        georgia = find_pattern("georgia-shuffle")
        strokes = georgia.grid.strokes()
        assert sounds(georgia) == "dudu"
        assert [s.length / georgia.grid.cell for s in strokes] == [1, 3, 1, 3]
        assert [s.start / georgia.grid.cell for s in strokes if s.bow == "d"] == [2, 6]
        assert cells_with(georgia, "accent", "9") == [2, 6]
        assert strokes[-1].end > georgia.grid.length

    @pytest.mark.parametrize("name", ["double-shuffle", "double-shuffle-chords"])
    def test_double_shuffle_walks_in_threes(self, name: str) -> None:
        # violinonline.com, unit 6.11; homestudiovideoguides: 2 3 3 3 3 2
        pattern = find_pattern(name)
        assert len(pattern.grid.strokes()) == 16
        assert pattern.grid.bars == 2
        assert cells_with(pattern, "strings", "^=") == [2, 5, 8, 11, 14] == cells_with(pattern, "accent", "9")

    def test_double_shuffle_has_a_second_place_for_the_accent(self) -> None:
        # fiddlehangout.com 1041
        early = find_pattern("double-shuffle-early")
        assert cells_with(early, "strings", "^") == [1, 4, 7, 10, 13] == cells_with(early, "accent", "9")

    def test_double_shuffle_two_and_two(self) -> None:
        # ericchristopher.net, 2012
        assert find_pattern("double-shuffle-two-and-two").grid.strings == "__^^__^^"

    def test_saw_and_two_note_strokes(self) -> None:
        # rinnmusic.com, bowing workshop: d-u-d-u, and d-d-u-u
        assert sounds(find_pattern("saw")) == "dudududu"
        assert [(s.bow, len(s.pulses)) for s in find_pattern("two-note-stroke").grid.strokes()] == [
            ("d", 2),
            ("u", 2),
        ] * 2

    @pytest.mark.parametrize("name", ["off-beat-chop", "off-beats"])
    def test_off_beats_fall_on_two_and_four(self, name: str) -> None:
        # nativeground.com; reddesertviolin.com
        assert [s.start for s in find_pattern(name).grid.strokes()] == [1, 3]

    def test_chops(self) -> None:
        # summerhaysmusic.com: land on the beat, lift on the "and"; stringsmagazine.com: the lift half a beat later is lighter
        assert sounds(find_pattern("ghost-chop")) == "x" * 8
        chops = find_pattern("chop-and-lift").grid.strokes()
        assert [s.start for s in chops] == [1, Fraction(3, 2), 3, Fraction(7, 2)]
        assert chops[0].pulses[0].level > chops[1].pulses[0].level + 6

    def test_boom_chuck_is_bass_then_chord(self) -> None:
        # sebabluegrass.org: bass on the beat, chord on the back-beat
        rows = [(s.start, s.pulses[0].strings) for s in find_pattern("boom-chuck").grid.strokes()]
        assert rows == [(0, "lower"), (1, "both"), (2, "lower"), (3, "both")]

    def test_jig_separate_begins_every_bar_down_and_leans_on_an_up_bow(self) -> None:
        # philberthoud.com, bowing for Irish jigs; fiddleclass.com, May 2013
        jig = find_pattern("jig-separate")
        assert sounds(jig, 2) == "dududu" * 2
        assert jig.grid.strokes()[3].bow == "u"
        assert jig.grid.strokes()[3].pulses[0].level > jig.grid.strokes()[2].pulses[0].level

    def test_jig_slurred_over_the_bar_surges_on_the_second_note(self) -> None:
        # philberthoud.com, bowing for Irish jigs, part 2
        last = find_pattern("jig-slur-over").grid.strokes()[-1]
        assert [p.start for p in last.pulses] == [Fraction(5, 2), 3]
        assert last.pulses[1].level > last.pulses[0].level

    def test_reel_slurs_are_three_three_one_one(self) -> None:
        # thesession.org/discussions/132
        grid = find_pattern("reel-slurs-across").grid
        assert [s.length / grid.cell for s in grid.strokes()] == [3, 3, 1, 1]

    def test_hornpipe_swings_two_to_one_and_bows_down_on_four(self) -> None:
        # philberthoud.com, hornpipes part 1: an up-bow over beat 3 gives beat 4 a fast down-bow
        grid = find_pattern("hornpipe").grid
        assert grid.swung(Fraction(1, 2)) == Fraction(2, 3)
        slur = next(s for s in grid.strokes() if len(s.pulses) > 1)
        assert slur.bow == "u"
        assert slur.start < 2 < slur.end
        four = next(s for s in grid.strokes() if s.start == 3)
        assert (four.bow, four.length, four.pulses[0].level) == ("d", grid.cell, 0)

    def test_polka_slurs_a_beat_and_surges_on_its_second_half(self) -> None:
        # philberthoud.com, polkas part 1
        for stroke in find_pattern("polka").grid.strokes():
            assert stroke.length == 1
            assert stroke.pulses[1].level > stroke.pulses[0].level

    def test_strathspey_snaps_down_up_and_drives_three_up_bows(self) -> None:
        # members.citynet.net/dennys; scots-l archive, msg03304
        snap = find_pattern("strathspey").grid.strokes()[2:4]
        assert [(s.bow, s.length) for s in snap] == [("d", Fraction(1, 4)), ("u", Fraction(3, 4))]
        assert [(s.bow, len(s.pulses)) for s in find_pattern("strathspey-up-driven").grid.strokes()] == [
            ("d", 1),
            ("u", 3),
        ] * 2

    def test_march_in_three_is_down_up_up(self) -> None:
        # members.citynet.net/dennys: down, up, up on three quarters
        down, up = find_pattern("march-in-three").grid.strokes()
        assert [p.start for p in (*down.pulses, *up.pulses)] == [0, 1, 2]

    def test_waltzes_turn_or_stay(self) -> None:
        # common practice, no source
        assert sounds(find_pattern("waltz-long-bow"), 4) == "dudu"
        assert sounds(find_pattern("waltz-oom-pah-pah"), 2) == "dudu"
        assert sounds(find_pattern("waltz-separate"), 2) == "dud" + "udu"
        assert sounds(find_pattern("slip-jig-separate"), 2) == "dudududud" + "ududududu"


class TestDefaults:
    @pytest.mark.parametrize(
        ("meter", "rhythm", "name"),
        [
            ("4/4", "Reel", "nashville-shuffle"),
            ("C|", "", "nashville-shuffle"),
            ("2/4", "reel", "nashville-shuffle"),
            ("2/4", "Polka", "polka"),
            ("6/8", "double jig", "jig-separate"),
            ("9/8", "slip jig", "slip-jig"),
            ("9/8", "jig", "slip-jig"),
            ("12/8", "", "slide"),
            ("3/4", "", "waltz-oom-pah-pah"),
            ("3/4", "march", "march-in-three"),
            ("6/8", "slow air", "slow-air-in-six"),
            ("3/4", "Air", "slow-air-in-three"),
            ("3/2", "hornpipe", "three-two-hornpipe"),
            ("3/2", "", "three-two-hornpipe"),
            ("C", "Hornpipe", "hornpipe"),
            ("4/4", "waltz", "nashville-shuffle"),  # what is said does not fit: the meter decides
            ("5/4", "", "bow-a-beat"),
            ("(2+2+3)/8", "horo", "bow-a-beat"),
        ],
    )
    def test_by_dance_then_by_meter(self, meter: str, rhythm: str, name: str) -> None:
        found = default_pattern(Meter.parse(meter), rhythm)
        assert found.name == name
        assert found.grid.meter == Meter.parse(meter)

    @pytest.mark.parametrize("units", range(1, 17))
    @pytest.mark.parametrize("unit", [2, 4, 8, 16])
    def test_there_is_one_for_every_meter(self, units: int, unit: int) -> None:
        meter = Meter((units,), unit)
        assert default_pattern(meter).grid.meter.bar == meter.bar

    def test_tempos_go_with_the_bar(self) -> None:
        # common practice, no source: the same reel is written in 4/4 with eighths or in 2/4 with sixteenths
        shuffle = find_pattern("nashville-shuffle")
        assert (shuffle.tempo.beat, shuffle.fitted(Meter.parse("2/4")).tempo.beat) == (2, 1)
        assert "quarter note = 50 to 124" in draw(shuffle.fitted(Meter.parse("2/4")))

    def test_misfit_names_what_would_fit(self) -> None:
        with pytest.raises(InputError) as told:
            find_pattern("waltz").fitted(Meter.parse("9/8"))
        assert str(told.value) == (
            "pattern waltz-oom-pah-pah is in 3/4 and the tune in 9/8; choose one of slip-jig, slip-jig-separate"
        )
