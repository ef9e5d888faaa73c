"""Mixes: levels pass by pass, placing, fades, and what a mono listener hears."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from underbow.sound.mix import FADE_SECONDS, PLACES, Mixer, level_changes
from underbow.track.mixes import STANDARD_MIXES, Mix
from underbow.track.performance import Gesture, Performance
from underbow.track.ramp import Ramp
from underbow.track.sequencer import perform
from underbow.track.sheet.read import read_sheet

RATE = 8_000


@pytest.fixture(scope="module")
def four_passes(make: Callable[..., Performance], stroke: Callable[..., Gesture]) -> Performance:
    strokes = [stroke(i, 1, 69) for i in range(4, 20)]
    return make({"melody": (40, strokes), "backup": (40, strokes)}, ramp=Ramp("steady", 120, 120, 4))


def ones(parts: int, seconds: float) -> np.ndarray:
    return np.ones((parts, round(seconds * RATE)), np.float32)


def mixed(performance: Performance, mix: Mix, names: list[str], stems: np.ndarray, size: int = 10**7) -> np.ndarray:
    blocks = [stems[:, at : at + size] for at in range(0, stems.shape[1], size)]
    return np.concatenate(list(Mixer(performance, mix, names, RATE).mixed(blocks)))


@pytest.mark.parametrize("level", [0.0, -6.0, -18.0])
def test_a_level_is_its_decibels_wherever_the_part_lies(four_passes: Performance, level: float) -> None:
    for part in ("melody", "backup"):
        out = mixed(four_passes, Mix("one", ((part, (level,)),)), [part], ones(1, 1))
        power = float((out[100] ** 2).sum())
        assert 10 * np.log10(power) == pytest.approx(level, abs=1e-5)
    left, right = mixed(four_passes, Mix("one", (("melody", (0.0,)),)), ["melody"], ones(1, 1))[0]
    assert PLACES["melody"] < 0 < PLACES["backup"]
    assert left > right > 0
    left, right = mixed(four_passes, Mix("one", (("click", (0.0,)),)), ["click"], ones(1, 1))[0]
    assert left == pytest.approx(right, rel=1e-6)
    assert PLACES["click"] == 0


def test_levels_change_with_the_passes_and_the_last_one_stays(four_passes: Performance) -> None:
    mix = Mix("guide", (("backup", (0.0, -6.0, None)),))
    assert level_changes(four_passes, mix, "backup", RATE) == [
        (0, 1.0),
        (4 * RATE, pytest.approx(0.501187)),
        (6 * RATE, 0.0),
    ]
    out = mixed(four_passes, mix, ["backup"], ones(1, 10))
    levels = np.sqrt((out**2).sum(axis=1))
    for second, gain in ((1, 1.0), (3.9, 1.0), (4.01, 0.501187), (5.9, 0.501187), (6.01, 0.0), (9.9, 0.0)):
        assert levels[round(second * RATE)] == pytest.approx(gain, abs=1e-6)


def test_a_pickup_belongs_to_the_melody_of_its_pass_and_to_the_accompaniment_before_it() -> None:
    played = perform(read_sheet(Path(__file__).parents[3] / "tracks" / "lamplight.toml"))
    turns = Mix("turns", (("melody", (0.0, None)), ("backup", (0.0, None))), turns=True)
    melody, backup = (level_changes(played, turns, part, 44_100) for part in ("melody", "backup"))
    pickup = next(bar for bar in played.bars if bar.number == 0)
    assert pickup.length > 0
    for one, (at, _), (later, _) in zip(played.passes[1:], melody[1:], backup[1:], strict=True):
        assert at == round(played.tempo.seconds(one.start) * 44_100)
        assert later == round(played.tempo.seconds(one.start + pickup.length) * 44_100)


def test_a_change_is_a_fade_that_is_over_at_the_first_note(four_passes: Performance) -> None:
    out = mixed(four_passes, Mix("turns", (("melody", (None, 0.0)),), turns=True), ["melody"], ones(1, 10))[:, 0]
    at, fade = 4 * RATE, round(FADE_SECONDS * RATE)
    assert out[at - fade - 1] == 0
    assert out[at] == out[at + 100] > 0
    assert np.abs(np.diff(out)).max() < 1.1 * np.pi / 2 * out.max() / fade
    rise = out[at - fade : at] / out[at]
    assert rise + rise[::-1] == pytest.approx(1, abs=1e-6)  # it begins as it ends
    assert 0 < rise[0] < 2 / fade


def test_the_sizes_of_blocks_make_no_difference(four_passes: Performance) -> None:
    stems = np.random.default_rng(3).standard_normal((2, 7 * RATE)).astype(np.float32)
    whole = mixed(four_passes, STANDARD_MIXES[2], ["melody", "backup"], stems)
    for size in (1, 63, 999, 8193, 65_537):  # none of them a divisor of where a level changes
        assert np.array_equal(mixed(four_passes, STANDARD_MIXES[2], ["melody", "backup"], stems, size), whole)


def test_a_mix_with_one_part_off_is_the_sum_of_the_others(quartet: Performance) -> None:
    names = [part.name for part in quartet.parts]
    stems = np.random.default_rng(4).standard_normal((4, 5 * RATE)).astype(np.float32)
    levels = {"melody": -1.0, "backup": -5.0, "rhythm": -7.0, "click": -9.0}
    for off in names:
        others = [name for name in names if name != off]
        part_off = mixed(quartet, Mix("m", tuple((n, (None if n == off else levels[n],)) for n in names)), names, stems)
        total = sum(mixed(quartet, Mix(n, ((n, (levels[n],)),)), names, stems) for n in others)
        assert np.allclose(part_off, total, atol=1e-6)


def test_nothing_cancels_for_a_mono_listener(quartet: Performance) -> None:
    names = [part.name for part in quartet.parts]
    for row in range(4):
        stems = np.zeros((4, 100), np.float32)
        stems[row] = 1
        left, right = mixed(quartet, Mix("m", tuple((n, (0.0,)) for n in names)), names, stems)[50]
        assert 1.2 < left + right <= np.sqrt(2) + 1e-6  # in the middle both sides add up to 3 dB over the power
