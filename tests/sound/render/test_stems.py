"""Stems: every gesture at its exact sample, whatever the sizes of the blocks."""

from __future__ import annotations

import errno
import tempfile
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import IO

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underbow.sound.stems import Stems, plan
from underbow.sound.synth.builtin import BuiltinVoice
from underbow.sound.voice.tape import Taped
from underbow.sound.voice.voices import Action, ActionNote, Remembered, Samples, act
from underbow.track.gestures import Gestures
from underbow.track.performance import Gesture, Manner, Part, Performance, Sounded
from underbow.track.ramp import Ramp, tempo_map

SIXTY = tempo_map(Ramp("steady", 60, 60, 1), Fraction(0), (Fraction(8),))


class Impulse:
    """A voice whose every sound is one sample, and a ring of ten after 100 frames."""

    name, rate = "impulse", 44_100

    def sounds(self, action: Action) -> Samples:
        out = np.zeros(111, np.float32)
        out[0], out[100:110] = 1, 0.25
        return out


@pytest.fixture(scope="module")
def glide(make: Callable[..., Performance], click: Callable[..., Gesture]) -> Performance:
    clicks = [click(Fraction(i, 3)) for i in range(3 * 36)]
    return make({"click": (-1, clicks)}, ramp=Ramp("glide", 67, 131, 4), bars=2)


def test_every_click_of_a_glide_is_at_its_sample(glide: Performance) -> None:
    sound = next(iter(Stems(glide, Impulse()).blocks(10**7)))[0]
    wanted = [round(glide.tempo.seconds(gesture.start) * 44_100) for gesture in glide.part("click").gestures]
    assert np.flatnonzero(sound == 1).tolist() == wanted


@pytest.mark.parametrize("size", [64, 1000, 65_536])
def test_the_sizes_of_blocks_make_no_difference(quartet: Performance, size: int) -> None:
    stems = Stems(quartet, Remembered(BuiltinVoice(22_050)))
    whole = next(iter(stems.blocks(10**7)))
    assert whole.shape == (4, stems.frames)
    assert np.array_equal(np.concatenate(list(stems.blocks(size)), axis=1), whole)


def test_remembering_changes_nothing_but_how_often_is_sounded(quartet: Performance) -> None:
    kept, plain = Remembered(BuiltinVoice(22_050)), BuiltinVoice(22_050)
    for one, other in zip(Stems(quartet, kept).blocks(), Stems(quartet, plain).blocks(), strict=True):
        assert np.array_equal(one, other)
    gestures = sum(len(part.gestures) for part in quartet.parts)
    assert kept.made < gestures / 2


def test_a_small_room_gives_the_same_sound(quartet: Performance) -> None:
    rooms = [Remembered(BuiltinVoice(22_050), room) for room in (0, 100_000, 10**8)]
    sounds = [np.concatenate(list(Stems(quartet, voice).blocks()), axis=1) for voice in rooms]
    assert rooms[0].made > rooms[1].made > rooms[2].made
    assert np.array_equal(sounds[0], sounds[1])
    assert np.array_equal(sounds[0], sounds[2])


def test_a_tape_gives_back_what_was_sounded_and_sounds_it_once(quartet: Performance, tmp_path: Path) -> None:
    plain = np.concatenate(list(Stems(quartet, BuiltinVoice(22_050)).blocks()), axis=1)
    counted = Remembered(BuiltinVoice(22_050), 0)
    with Taped(counted, tmp_path) as tape:
        stems = Stems(quartet, tape)
        assert np.array_equal(np.concatenate(list(stems.blocks()), axis=1), plain)
        made = counted.made
        assert np.array_equal(np.concatenate(list(stems.blocks()), axis=1), plain)
        assert counted.made == made
    assert not list(tmp_path.iterdir())


def test_a_full_tape_is_no_failure(quartet: Performance, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = np.concatenate(list(Stems(quartet, BuiltinVoice(22_050)).blocks()), axis=1)
    with Taped(BuiltinVoice(22_050), tmp_path, room=300_000) as small:
        for _ in range(2):
            assert np.array_equal(np.concatenate(list(Stems(quartet, small).blocks()), axis=1), plain)

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with Taped(BuiltinVoice(22_050), tmp_path) as tape:
        monkeypatch.setattr(tape, "_file", SimpleNamespace(seek=full, close=tape._file.close))
        assert np.array_equal(np.concatenate(list(Stems(quartet, tape).blocks()), axis=1), plain)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a system without a device that is always full")
def test_a_disk_that_fills_under_a_tape_is_no_failure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sound shorter than a file's buffer shall not wait there for whatever comes next, closing included."""

    def full_disk(buffering: int = -1, **_: object) -> IO[bytes]:
        return Path("/dev/full").open("r+b", buffering)

    monkeypatch.setattr(tempfile, "TemporaryFile", full_disk)
    click = Action(Manner.CLICK, (ActionNote(0, 100, 76),))
    with Taped(Impulse(), tmp_path) as tape:
        for _ in range(3):
            assert np.array_equal(tape.sounds(click), Impulse().sounds(click))


def test_the_last_sound_rings_out(make: Callable[..., Performance], stroke: Callable[..., Gesture]) -> None:
    played = make({"melody": (40, [stroke(7, 1, 69)])}, ramp=Ramp("steady", 120, 120, 1))
    stems = Stems(played, BuiltinVoice(44_100))
    sound = np.concatenate(list(stems.blocks()), axis=1)[0]
    end = round(played.tempo.seconds(played.length) * 44_100)
    assert np.abs(sound[end : end + 2000]).max() > 0.01
    assert np.abs(sound[-50:]).max() < 1e-3
    assert stems.frames > end


def test_what_is_early_at_the_very_start_begins_there(
    make: Callable[..., Performance], click: Callable[..., Gesture]
) -> None:
    early = replace(click(0), offset=-0.02)
    late = replace(click(1), offset=0.005)
    played = make({"click": (-1, [early, late])}, ramp=Ramp("steady", 60, 60, 1))
    sound = next(iter(Stems(played, Impulse()).blocks(10**7)))[0]
    assert np.flatnonzero(sound == 1).tolist() == [0, round(1.005 * 44_100)]


def test_gestures_that_feel_puts_out_of_order_are_all_sounded(click: Callable[..., Gesture]) -> None:
    gestures = (replace(click(1), offset=0.2), replace(click("1.1"), offset=-0.2))
    one = plan(Part("click", -1, gestures), SIXTY, 1000)
    assert one.frames.tolist() == [900, 1200]
    assert one.which.tolist() == [1, 0]


def test_a_stroke_is_joined_to_one_that_follows_at_once_only(stroke: Callable[..., Gesture]) -> None:
    gestures = [stroke(0, 1, 55), stroke(1, 1, 55), stroke("2.5", 1, 55), stroke(4, 1, 57)]
    one = plan(Part("backup", 110, gestures), SIXTY, 1000)
    assert [one.actions[which].joined for which in one.which] == [True, False, False, False]


@given(
    st.lists(st.fractions(0, 40, max_denominator=48), min_size=1, max_size=30),
    st.sampled_from(["steps", "glide"]),
    st.integers(22_050, 96_000),
)
def test_a_plan_is_exact_to_the_frame_and_knows_each_action_as_it_is(
    starts: list[Fraction], kind: str, rate: int
) -> None:
    tempo = tempo_map(Ramp(kind, 71, 133, 4), Fraction(4), (Fraction(9),) * 4)
    levels = [-1.0 * (i % 4) for i in range(len(starts))]
    gestures = [
        Gesture(Manner.BOW, (Sounded(start, Fraction(3, 4), 55, level, 0),), "d")
        for start, level in zip(sorted(starts), levels, strict=True)
    ]
    one = plan(Part("backup", 110, gestures), tempo, rate)
    for frame, gain, which, gesture in zip(one.frames, one.gains, one.which, gestures, strict=True):
        assert abs(int(frame) - tempo.seconds(gesture.start) * rate) <= 0.5 + 1e-6
        assert gain == np.float32(10 ** (gesture.top / 20))
        action = one.actions[which]
        assert action == act(gesture, tempo.seconds, rate, program=110, joined=action.joined)


def test_feel_keeps_each_gesture_what_it_is(quartet: Performance) -> None:
    part = quartet.part("melody")
    felt = Gestures(part.gestures).with_feel([900] * len(part.gestures), [0] * len(part.gestures))
    plain, moved = (plan(Part("melody", part.program, some), quartet.tempo, 44_100) for some in (part.gestures, felt))
    assert moved.actions == plain.actions
    assert np.array_equal(moved.which, plain.which)
    assert set((moved.frames - plain.frames).tolist()) <= {39, 40}


def test_parts_can_be_chosen(quartet: Performance) -> None:
    everything = Stems(quartet, Remembered(BuiltinVoice(22_050)))
    chosen = Stems(quartet, Remembered(BuiltinVoice(22_050)), ["click", "melody"])
    assert chosen.names == ("click", "melody")
    whole, some = next(iter(everything.blocks())), next(iter(chosen.blocks()))
    count = min(whole.shape[1], some.shape[1])
    assert np.array_equal(some[:, :count], whole[[3, 0], :count])


def test_a_silent_performance_is_as_long_as_it_says(make: Callable[..., Performance]) -> None:
    played = make({"melody": (40, [])}, ramp=Ramp("steady", 120, 120, 2))
    stems = Stems(played, Impulse())
    assert stems.frames == round(12 * 0.5 * 44_100)
    assert not np.concatenate(list(stems.blocks()), axis=1).any()
