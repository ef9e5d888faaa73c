"""Ramps and tempo maps, against arithmetic that a musician can do and against numeric integration."""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underbow.theory.meter import Tempo
from underbow.track.ramp import Ramp, Segment, TempoMap, tempo_map

F = Fraction


def counts(ramp: Ramp) -> list[int]:
    assert all(tempo.count.denominator == 1 for tempo in ramp.tempos)
    return [int(tempo.count) for tempo in ramp.tempos]


@pytest.mark.parametrize(
    ("ramp", "expected"),
    [
        (Ramp("steps", 60, 104, 8), [60, 66, 73, 79, 85, 91, 98, 104]),
        (Ramp("steps", 60, 61, 4), [60, 60, 61, 61]),
        (Ramp("steps", 90, 90, 1), [90]),
        (Ramp("steps", 90, 90, 3), [90, 90, 90]),
        (Ramp("steady", 90, 90, 3), [90, 90, 90]),
        (Ramp.by_step(60, 104, 6), [60, 66, 72, 78, 84, 90, 96, 102, 104]),
        (Ramp.by_step(60, 104, 44), [60, 104]),
        (Ramp.by_step(60, 104, 100), [60, 104]),
        (Ramp.by_step(104, 104, 6), [104]),
    ],
)
def test_steps_are_whole_numbers_from_start_to_goal(ramp: Ramp, expected: list[int]) -> None:
    assert counts(ramp) == expected
    assert ramp.passes == len(expected)


@given(st.integers(30, 200), st.integers(0, 150), st.integers(2, 60), st.integers(1, 40))
def test_the_last_pass_is_at_the_goal_and_no_pass_is_slower_than_the_one_before(
    start: int, rise: int, passes: int, step: int
) -> None:
    for ramp in (Ramp("steps", start, start + rise, passes), Ramp.by_step(start, start + rise, step)):
        assert counts(ramp)[-1] == start + rise
        assert counts(ramp)[0] == start
        assert counts(ramp) == sorted(counts(ramp))


def test_steps_of_a_shared_way_differ_by_at_most_one() -> None:
    tempos = counts(Ramp("steps", 61, 127, 10))
    steps = {after - before for before, after in pairwise(tempos)}
    assert steps == {7, 8}


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Ramp("swoop", 60, 80, 2), "a ramp is one of steps, glide, steady, not 'swoop'"),
        (lambda: Ramp("steps", 80, 60, 2), "start 80 is above goal 60; a track goes from slow to fast, swap the two"),
        (lambda: Ramp("steady", 60, 80, 2), "a steady track has one tempo, not 60 and 80; leave start out"),
        (lambda: Ramp("steps", 60, 80, 0), "0 passes; write 1 to 200"),
        (lambda: Ramp("steps", 60, 80, 201), "201 passes; write 1 to 200"),
        (
            lambda: Ramp("steps", 60, 80, 1),
            "one pass can't step from 60 to 80; write passes = 2 or more, or leave start out",
        ),
        (
            lambda: Ramp("steps", 60, 300, 3, F(3, 2)),
            "300 beats a minute is 450 quarter notes a minute; write a tempo of 20 to 400 quarter notes a minute",
        ),
        (
            lambda: Ramp("steps", 0, 60, 3),
            "0 beats a minute is 0 quarter notes a minute; write a tempo of 20 to 400 quarter notes a minute",
        ),
        (lambda: Ramp.by_step(60, 80, 0), "step must be 1 or more beats a minute, not 0"),
        (
            lambda: Ramp("steps", 60, 80, 9, F(1), 10),
            "step 10 makes 3 passes from 60 to 80, not 9; write either step or passes",
        ),
    ],
)
def test_faults(make: Any, message: str) -> None:
    with pytest.raises(ValueError) as error:  # noqa: PT011  the whole message is compared
        make()
    assert str(error.value) == message


# 32 bars of two beats are 64 beats, 3840 / tempo seconds, whatever the beat's note value: arithmetic.
@pytest.mark.parametrize(("tempo", "seconds"), [(120, 32.0), (112, 34.285714), (60, 64.0)])
@pytest.mark.parametrize(("beat", "bar"), [(F(3, 2), F(3)), (F(2), F(4)), (F(1), F(2))], ids=["6/8", "2/2", "2/4"])
def test_a_tune_of_32_bars_lasts_as_long_as_its_beats(
    tempo: int, seconds: float, beat: Fraction, bar: Fraction
) -> None:
    ramp = Ramp("steady", tempo, tempo, 1, beat)
    assert tempo_map(ramp, F(0), (32 * bar,)).seconds(32 * bar) == pytest.approx(seconds, abs=1e-6)


def test_an_eighth_note_at_dance_tempos() -> None:
    """A reel at half note = 116 has eighths of 129.31 ms, a jig at dotted quarter = 120 of 166.67 ms: arithmetic."""
    reel = tempo_map(Ramp("steady", 116, 116, 1, F(2)), F(0), (F(4),))
    jig = tempo_map(Ramp("steady", 120, 120, 1, F(3, 2)), F(0), (F(3),))
    assert reel.seconds(F(1, 2)) == pytest.approx(0.12931, abs=5e-6)
    assert jig.seconds(F(1, 2)) == pytest.approx(0.16667, abs=5e-6)
    # MIDI 1.0 (RP-001): tempo is per quarter note whatever the meter, so the jig is 180 quarters a minute
    assert Tempo(F(120), F(3, 2)).quarters_per_minute == 180


def test_steady_passes_add_up_exactly() -> None:
    ramp = Ramp("steps", 61, 113, 7)
    lengths = (F(64),) * 7
    timing = tempo_map(ramp, F(7), lengths)
    exact = F(60 * 7, 61) + sum(F(60 * 64, count) for count in counts(ramp))
    assert timing.seconds(F(7) + 64 * 7) == float(exact)


def integrated(segments: tuple[Segment, ...], until: float, parts: int = 20_000) -> float:
    """Integrate 60 / tempo by the midpoint rule."""
    total = 0.0
    for segment in segments:
        start, length = float(segment.start), float(segment.length)
        reach = min(until, start + length) - start
        if reach <= 0:
            break
        a, b = float(segment.begin), float(segment.end)
        width = reach / parts
        total += math.fsum(60.0 / (a + (b - a) * (i + 0.5) * width / length) for i in range(parts)) * width
    return total


@pytest.mark.parametrize(("start", "goal", "passes"), [(60, 120, 2), (40, 41, 1), (100, 104, 3), (50, 200, 1)])
def test_a_glide_takes_as_long_as_its_integral(start: int, goal: int, passes: int) -> None:
    timing = tempo_map(Ramp("glide", start, goal, passes), F(4), (F(32),) * passes)
    for at in (F(0), F(3), F(4), F(41, 10), F(20), F(4) + 32 * passes):
        assert timing.seconds(at) == pytest.approx(integrated(timing.segments, float(at)), rel=1e-8, abs=1e-12)


def test_a_glide_from_60_to_120_is_the_logarithm_of_two() -> None:
    """Tempo v = 60 + 60 x / L: the time is L ln 2 seconds (closed form)."""
    timing = tempo_map(Ramp("glide", 60, 120, 4), F(0), (F(25),) * 4)
    assert timing.seconds(F(100)) == pytest.approx(100 * math.log(2), rel=1e-14)


def test_a_glide_has_one_tempo_at_each_place_also_where_passes_differ_in_length() -> None:
    timing = tempo_map(Ramp("glide", 60, 90, 2, F(3, 2)), F(3), (F(10), F(20)))
    before, first, second = timing.segments
    assert (before.begin, before.end) == (90, 90)
    assert (first.begin, first.end) == (90, 105)
    assert (second.begin, second.end) == (105, 135)


@given(
    st.integers(30, 120),
    st.integers(0, 100),
    st.sampled_from(["steps", "glide"]),
    st.fractions(-10, 150, max_denominator=48),
)
def test_quarters_is_the_inverse_of_seconds(start: int, rise: int, kind: str, at: Fraction) -> None:
    timing = tempo_map(Ramp(kind, start, start + rise, 3), F(4), (F(32),) * 3)
    assert timing.quarters(timing.seconds(at)) == pytest.approx(float(at), abs=1e-9)


@given(st.lists(st.fractions(0, 140, max_denominator=96), min_size=2, max_size=20), st.sampled_from(["steps", "glide"]))
def test_later_is_later(places: list[Fraction], kind: str) -> None:
    timing = tempo_map(Ramp(kind, 60, 130, 4), F(4), (F(32),) * 4)
    order = sorted(set(places))
    seconds = [timing.seconds(at) for at in order]
    assert seconds == sorted(set(seconds))


def test_time_goes_on_before_the_start_and_after_the_end() -> None:
    timing = TempoMap((Segment(F(0), F(4), F(60), F(120)),))
    assert timing.seconds(F(-1)) == -1.0
    assert timing.seconds(F(6)) - timing.seconds(F(4)) == pytest.approx(1.0)
    assert timing.end == 4


@pytest.mark.parametrize(
    ("segments", "message"),
    [
        ((), "at least one segment"),
        ((Segment(F(0), F(0), F(60), F(60)),), "over 0"),
        ((Segment(F(0), F(1), F(60), F(60)), Segment(F(2), F(1), F(60), F(60))), "without a gap"),
    ],
)
def test_a_map_of_nonsense_is_refused(segments: tuple[Segment, ...], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        TempoMap(segments)


@pytest.mark.parametrize("ramp", [Ramp("steps", 60, 90, 3), Ramp("steady", 80, 80, 3), Ramp("glide", 60, 90, 3)])
@given(start=st.fractions(0, 30, max_denominator=24), length=st.fractions(0, 9, max_denominator=24))
def test_a_stretch_has_a_pace_where_its_seconds_are_its_quarters_at_it(ramp: Ramp, start: F, length: F) -> None:
    tempo = tempo_map(ramp, F(4), (F(7, 3),) * 3)
    grain = math.lcm(start.denominator, length.denominator)
    clock, begin, end = tempo.clock(grain), int(start * grain), int((start + length) * grain)
    assert clock.seconds(begin) == tempo.seconds(start)  # to the last bit
    assert clock.seconds(end) == tempo.seconds(start + length)
    pace = clock.pace(begin, end)
    inner = [segment.start for segment in tempo.segments[1:]]
    crosses = any(start < edge < start + length for edge in inner)
    segment = tempo.segments[sum(edge <= start for edge in inner)]
    assert (pace is None) == (crosses or not segment.steady)
    if pace is not None:
        seconds = tempo.seconds(start + length) - tempo.seconds(start)
        assert seconds == pytest.approx(float(60 * length / segment.begin))
        assert tempo.segments[pace].begin == segment.begin


def test_a_gap_stands_before_every_new_tempo_and_goes_at_it() -> None:
    ramp = Ramp("steps", 60, 120, 2, each=2)
    timing = tempo_map(ramp, F(4), (F(8),) * 4, gap=F(4))
    # 4 s counted, twice 8 s at 60, two seconds of gap at 120, twice 4 s at 120
    assert [timing.seconds(F(place)) for place in (4, 12, 20, 24, 32, 40)] == [4, 12, 20, 22, 26, 30]
    assert [segment.start for segment in timing.segments] == [0, 4, 12, 20, 24, 32]
    once = tempo_map(Ramp("steps", 60, 120, 2), F(0), (F(8), F(8)), gap=F(4))
    assert [once.seconds(F(place)) for place in (8, 12, 20)] == [8, 10, 14]
