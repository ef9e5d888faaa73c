"""Stems: every gesture at its exact sample, whatever the sizes of the blocks."""

from __future__ import annotations

import errno
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from underbow.sound.builtin import BuiltinVoice
from underbow.sound.stems import Stems, plan
from underbow.sound.tape import Taped
from underbow.sound.voices import Action, Remembered, Samples
from underbow.track.performance import Gesture, Part, Performance
from underbow.track.ramp import Ramp


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
    one = plan(Part("click", -1, gestures), float, 1000)
    assert one.frames.tolist() == [900, 1200]
    assert one.which.tolist() == [1, 0]


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
