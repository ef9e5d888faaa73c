from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underbow.sound.voice.voices import Action, ActionNote, Remembered, Samples, act
from underbow.track.performance import Gesture, Manner, Sounded

RATE = 44_100


def steady(quarters: Fraction) -> float:
    return float(quarters) * 60 / 97


def stroke(start: Fraction, *levels: float, each: Fraction = Fraction(1, 2)) -> Gesture:
    notes = tuple(Sounded(start + i * each, each, 60 + i, level, 0) for i, level in enumerate(levels))
    return Gesture(Manner.BOW, notes, "d")


@given(st.lists(st.integers(1, 40), min_size=1, max_size=6), st.integers(22_050, 96_000))
def test_what_lies_inside_is_off_by_less_than_anybody_hears(sixteenths: list[int], rate: int) -> None:
    notes, at = [], Fraction(7)
    for length in sixteenths:
        notes.append(Sounded(at, Fraction(length, 4), 60, -2.0, 0))
        at += Fraction(length, 4)
    gesture = Gesture(Manner.BOW, tuple(notes), "u")
    action = act(gesture, steady, rate)
    for note, made in zip(notes, action.notes, strict=True):
        assert abs(made.at / rate - (steady(note.start) - steady(gesture.start))) <= 0.5 / 1000 + 0.5 / rate + 1e-9
    assert abs(action.frames / rate - (steady(gesture.end) - steady(gesture.start))) <= 0.5 / 256 + 0.5 / rate + 1e-9
    for before, after in zip(action.notes, action.notes[1:], strict=False):
        assert before.end == after.at  # no gap and no overlap comes in by rounding


def test_equal_gestures_become_one_action_wherever_the_beat_falls() -> None:
    actions = {act(stroke(Fraction(i, 2), -6.0, -2.0), steady, RATE) for i in range(200)}
    assert len(actions) == 1


def test_levels_are_relative_to_the_loudest_note() -> None:
    made = act(stroke(Fraction(0), -8.0, -2.0, -5.1), steady, RATE)
    assert [note.level for note in made.notes] == [-6.0, 0.0, -3.0]  # on a grid of a quarter dB


@pytest.mark.parametrize(
    ("level", "accent"), [(0.0, 9), (-2.0, 8), (-2.4, 8), (-3.1, 7), (-16.0, 1), (-40.0, 1), (3.0, 9)]
)
def test_accent_classes_follow_the_grids_scale_of_2_db(level: float, accent: int) -> None:
    assert act(stroke(Fraction(0), level), steady, RATE).accent == accent


def test_a_hand_may_be_early_and_does_the_same() -> None:
    gesture = Gesture(Manner.PLUCK, (Sounded(Fraction(0), Fraction(1), 43, 0.0),), offset=-0.004)
    assert act(gesture, steady, RATE) == act(replace(gesture, offset=0.0), steady, RATE)


def test_a_note_never_has_no_length() -> None:
    assert act(stroke(Fraction(0), 0.0, each=Fraction(1, 10_000)), steady, RATE).frames == 1


class Counting:
    name, rate = "counting", RATE

    def __init__(self) -> None:
        self.calls = 0

    def sounds(self, action: Action) -> Samples:
        self.calls += 1
        return np.full(1000, action.notes[0].midi, dtype=np.float32)


def action(midi: int) -> Action:
    return Action(Manner.BOW, (ActionNote(0, 500, midi),))


def test_what_was_sounded_is_kept_and_given_again() -> None:
    voice = Counting()
    remembered = Remembered(voice)
    first = remembered.sounds(action(60))
    assert remembered.sounds(action(60)) is first
    assert (voice.calls, remembered.made, remembered.name, remembered.rate) == (1, 1, "counting", RATE)
    with pytest.raises(ValueError, match="read-only"):
        first[0] = 1.0


def test_the_room_is_bounded_and_the_oldest_goes_first() -> None:
    voice = Counting()
    remembered = Remembered(voice, room=3 * 4000)
    for midi in (60, 61, 62, 60, 63, 60, 61):
        remembered.sounds(action(midi))
    assert voice.calls == 5  # 60, 61, 62, 63, and 61 again: it was the one used longest ago when 63 came
    assert remembered._kept.bytes <= 3 * 4000


def test_what_fills_the_room_is_kept_and_what_is_larger_leaves_the_others_there() -> None:
    voice = Counting()
    remembered = Remembered(voice, room=4000)
    remembered.sounds(action(60))
    voice.sounds = lambda action: np.zeros(1001, np.float32)  # type: ignore[method-assign]
    remembered.sounds(action(61))
    assert remembered.sounds(action(60)).shape == (1000,)


def test_what_sounds_side_by_side_is_kept_and_asked_for_once() -> None:
    class Together(Counting):
        def side_by_side(self, actions: Iterable[Action]) -> Iterator[tuple[Action, Samples]]:
            yield from [(action, self.sounds(action)) for action in actions]

    voice = Together()
    remembered = Remembered(voice)
    remembered.prepare([action(60), action(61)])
    assert (voice.calls, remembered.made) == (2, 2)
    remembered.prepare([action(61), action(62)])
    for midi in (60, 61, 62):
        assert remembered.sounds(action(midi))[0] == midi
    assert (voice.calls, remembered.made) == (3, 3)


def test_a_voice_that_gets_ready_itself_is_told_what_for() -> None:
    class Ready(Counting):
        def __init__(self) -> None:
            super().__init__()
            self.ready_for: list[Action] = []

        def prepare(self, actions: Iterable[Action]) -> None:
            self.ready_for += actions

    voice = Ready()
    Remembered(voice).prepare([action(60), action(61)])
    assert (voice.ready_for, voice.calls) == ([action(60), action(61)], 0)


def test_no_room_keeps_nothing() -> None:
    voice = Counting()
    remembered = Remembered(voice, room=0)
    for _ in range(3):
        remembered.sounds(action(60))
    assert voice.calls == 3


def test_hardness_goes_from_soft_to_biting() -> None:
    notes = (ActionNote(0, 500, 60),)
    assert [Action(Manner.BOW, notes, accent=accent).hardness for accent in (1, 5, 9)] == [0.0, 0.5, 1.0]
