"""Meters and tempos."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underbow.theory.meter import Meter, Tempo, beat_words, note_value

Q = Fraction
METERS = st.builds(
    Meter,
    st.lists(st.integers(1, 12), min_size=1, max_size=4).map(tuple),
    st.sampled_from([1, 2, 4, 8, 16, 32, 64]),
)


class TestMeter:
    @pytest.mark.parametrize(
        ("text", "bar", "beat", "beats"),
        [
            # music21 and the Standard MIDI File specification agree on the quarters of a bar; which note is the beat is
            # common practice: the dotted quarter in 6/8, 9/8 and 12/8, the half note in 2/2 and 3/2
            ("4/4", Q(4), Q(1), 4),
            ("C", Q(4), Q(1), 4),
            ("2/2", Q(4), Q(2), 2),
            ("C|", Q(4), Q(2), 2),
            ("2/4", Q(2), Q(1), 2),
            ("3/4", Q(3), Q(1), 3),
            ("3/2", Q(6), Q(2), 3),
            ("6/8", Q(3), Q(3, 2), 2),
            ("9/8", Q(9, 2), Q(3, 2), 3),
            ("12/8", Q(6), Q(3, 2), 4),
            ("3/8", Q(3, 2), Q(3, 2), 1),
            ("5/8", Q(5, 2), Q(1, 2), 5),
            ("(2+3+2)/8", Q(7, 2), Q(1, 2), 3),
            ("2+2+3/16", Q(7, 4), Q(1, 4), 3),
        ],
    )
    def test_bars_and_beats(self, text: str, bar: Fraction, beat: Fraction, beats: int) -> None:
        meter = Meter.parse(text)
        assert (meter.bar, meter.beat, len(meter.beats)) == (bar, beat, beats)

    def test_signs_are_kept(self) -> None:
        assert [str(Meter.parse(text)) for text in ("C", "C|", "c|", "4/4")] == ["C", "C|", "C|", "4/4"]

    @given(METERS)
    def test_reads_what_it_writes(self, meter: Meter) -> None:
        assert Meter.parse(str(meter)) == meter

    @given(METERS)
    def test_beats_start_at_nought_and_stay_in_the_bar(self, meter: Meter) -> None:
        assert meter.beats[0] == 0
        assert list(meter.beats) == sorted(set(meter.beats))
        assert meter.beats[-1] < meter.bar

    @pytest.mark.parametrize("text", ["", "4", "four", "4/", "/4", "4:4", "4/4/4", "-3/4", "9999/4", "4/٤"])
    def test_what_is_no_meter(self, text: str) -> None:
        with pytest.raises(ValueError, match=r"not a meter: .*; write one such as 4/4, 6/8 or C"):
            Meter.parse(text)

    @pytest.mark.parametrize(
        ("text", "message"),
        [
            ("4/5", "a meter's unit must be 1, 2, 4, 8, 16, 32 or 64, not 5"),
            ("0/4", "a meter has 1 to 64 units in a bar, not 0"),
            ("99/8", "a meter has 1 to 64 units in a bar, not 99"),
        ],
    )
    def test_impossible_meters(self, text: str, message: str) -> None:
        with pytest.raises(ValueError, match="meter") as told:
            Meter.parse(text)
        assert str(told.value) == message


class TestTempo:
    @pytest.mark.parametrize(
        ("count", "beat", "quarters"),
        [
            # Breathnach, Ceol Rince na hEireann 1, p. ix: reels at 224 quarters, which dancers count as 112 half notes
            (112, Q(2), 224),
            # the same 6/8 at dotted quarter = 120 is 180 quarters a minute (Standard MIDI File: tempo is per quarter note)
            (120, Q(3, 2), 180),
            (100, Q(1), 100),
        ],
    )
    def test_quarters_a_minute(self, count: int, beat: Fraction, quarters: int) -> None:
        assert Tempo(Fraction(count), beat).quarters_per_minute == quarters

    def test_written(self) -> None:
        assert str(Tempo(Q(120), Q(3, 2))) == "3/8 = 120"
        assert str(Tempo(Q(205, 2))) == "1/4 = 102.5"
        assert [note_value(q) for q in (Q(1, 2), Q(3, 4), Q(2), Q(3))] == ["1/8", "3/16", "1/2", "3/4"]

    @pytest.mark.parametrize(("count", "beat"), [(0, 1), (-60, 1), (60, 0)])
    def test_must_move(self, count: int, beat: int) -> None:
        with pytest.raises(ValueError, match="over 0"):
            Tempo(Fraction(count), Fraction(beat))


@pytest.mark.parametrize(
    ("meter", "words"),
    [
        # common practice, no source: what a player calls the beat of each
        ("4/4", "quarter note"),
        ("C|", "half note"),
        ("6/8", "dotted quarter note"),
        ("9/16", "dotted eighth note"),
        ("5/8", "eighth note"),
        ("2/1", "whole note"),
        ("3/64", "dotted thirty-second note"),
    ],
)
def test_a_beat_in_words(meter: str, words: str) -> None:
    assert beat_words(Meter.parse(meter).beat) == words


@pytest.mark.parametrize(
    ("quarters", "words"), [(Q(3), "dotted half note"), (Q(5, 2), "5/8 note"), (Q(12), "3/1 note")]
)
def test_a_beat_without_a_name_is_its_fraction(quarters: Fraction, words: str) -> None:
    assert beat_words(quarters) == words
