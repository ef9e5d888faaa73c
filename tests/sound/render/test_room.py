"""The small room: how long it rings, how loud it is, and that nothing is lost in one channel, at any rate, in any blocks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from underbow.sound.mix import Mixer, everything
from underbow.sound.room import SECONDS, in_room, parts_in_room, reflections
from underbow.sound.stems import Stems
from underbow.sound.synth.builtin import BuiltinVoice
from underbow.track.performance import Performance

RATES = (22_050, 44_100, 48_000, 96_000)


def response(rate: int) -> np.ndarray:
    """What a click on the left comes to."""
    click = np.zeros((rate, 2), np.float32)
    click[0, 0] = 1.0
    return np.concatenate(list(in_room([click], rate)))


def db(power: float) -> float:
    return float(10 * np.log10(power))


@pytest.mark.parametrize("rate", RATES)
def test_the_sound_itself_comes_through_as_it_is_and_the_room_is_as_loud_as_stated(rate: int) -> None:
    """White noise, as loud left as right: what is added, below 3 kHz, against the sound; -4 dB by our own choice."""
    noise = np.random.default_rng(1).standard_normal((4 * rate, 1)).repeat(2, axis=1).astype(np.float32)
    heard = np.concatenate(list(in_room([noise], rate)))
    assert len(heard) == len(noise)
    added = heard - noise
    low = np.fft.rfftfreq(len(noise), 1 / rate) < 3000
    powers = [float((np.abs(np.fft.rfft(one.sum(axis=1))[low]) ** 2).sum()) for one in (added, noise)]
    assert db(powers[0] / powers[1]) == pytest.approx(-4 + 20 * np.log10(1.0), abs=2.0)
    assert response(rate)[0].tolist() == pytest.approx([1.0, 0.0], abs=1e-6)


def test_it_falls_by_60_db_in_about_a_third_of_a_second() -> None:
    """T20 of ISO 3382-1: Schroeder's backward integral, -5 to -25 dB. A furnished living room has 0.3 to 0.5 s (from memory)."""
    rate = 44_100
    tail = response(rate)[1:].sum(axis=1).astype(float) ** 2
    left = 10 * np.log10(np.cumsum(tail[::-1])[::-1] / tail.sum() + 1e-30)
    first, last = (int(np.argmax(left < level)) for level in (-5, -25))
    slope = np.polyfit(np.arange(first, last) / rate, left[first:last], 1)[0]
    assert 0.18 < -60 / slope < 0.45
    assert np.abs(response(rate)[int((SECONDS + 0.01) * rate) :]).max() < 1e-6


def test_one_channel_loses_nothing() -> None:
    """Every reflection comes with the same sign from both sides, so that their sum is as strong as they are."""
    both = reflections(11_025.0)
    assert (both >= 0).all()
    assert db((both.sum(axis=1) ** 2).sum() / (both**2).sum()) > 2.5
    assert 0.3 < np.corrcoef(both.T)[0, 1] < 0.99  # and yet wider than one point


def test_parts_that_stay_apart_add_up_to_their_sum_in_the_room() -> None:
    parts = np.random.default_rng(3).standard_normal((3, 30_000)).astype(np.float32)
    apart = np.concatenate(list(parts_in_room([parts[:, :999], parts[:, 999:]], 44_100)), axis=1)
    sides = np.stack([parts.sum(axis=0)] * 2, axis=1) / 2
    together = np.concatenate(list(in_room([sides], 44_100))).sum(axis=1)
    assert np.abs(apart.sum(axis=0) - together).max() < 1e-4


@pytest.mark.parametrize("size", [63, 999, 8193, 100_000])
def test_sizes_of_blocks_change_nothing(size: int) -> None:
    sound = np.random.default_rng(2).standard_normal((50_000, 2)).astype(np.float32)
    whole = np.concatenate(list(in_room([sound], 44_100)))
    cut = [sound[at : at + size] for at in range(0, len(sound), size)]
    assert np.array_equal(np.concatenate(list(in_room(cut, 44_100))), whole)


def test_every_rate_has_the_same_room() -> None:
    """Energy of what is added, in the first 30 ms and after; a click on one side."""
    found = []
    for rate in RATES:
        tail = response(rate)[1:].astype(float) ** 2 * rate
        cut = int(0.03 * rate)
        found.append([db(tail[:cut].sum()), db(tail[cut:].sum())])
    assert np.ptp(found, axis=0).max() < 1.0


def test_a_sheets_room_is_heard_in_its_mixes_and_not_in_its_stems(quartet: Performance) -> None:
    """A track in the room goes on until the room is still."""
    roomy = replace(quartet, room="small")
    dry, wet = (Stems(one, BuiltinVoice(44_100)) for one in (quartet, roomy))
    assert wet.frames == pytest.approx(dry.frames + SECONDS * 44_100, abs=44_100)
    stems = [np.concatenate(list(one.blocks()), axis=1) for one in (dry, wet)]
    assert np.array_equal(stems[0][:, : dry.frames], stems[1][:, : dry.frames])
    mix = everything(dry.names)
    plain, roomed, left_out = (
        np.concatenate(list(Mixer(one, mix, dry.names, 44_100, dry=dry_).mixed([stems[1]])))
        for one, dry_ in ((quartet, False), (roomy, False), (roomy, True))
    )
    assert np.array_equal(plain, left_out)
    added = np.concatenate(list(in_room([plain], 44_100)))
    assert np.array_equal(roomed, added)
    assert 10 * np.log10(((roomed - plain) ** 2).mean() / (plain**2).mean()) > -12
