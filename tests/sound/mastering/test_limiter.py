"""The limiter: nothing above the ceiling by independent meters, nothing below it touched, no clicks, one result.

Sources: true peak by ITU-R BS.1770-5 (11/2023), Annex 2, read here with scipy's polyphase resampler at 16 times the rate and
with libebur128; the limit is that of EBU R 128 (v5, 2023: true peak -1 dBTP).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from underbow.sound.mastering.limiter import Limiter

from .. import libebur128

RATE = 44_100


def true_peak(sound: np.ndarray) -> float:
    return float(20 * np.log10(np.abs(signal.resample_poly(sound.astype(np.float64), 16, 1)).max()))


def limited(sound: np.ndarray, *, gain: float = 0.0, ceiling: float = -1.0, size: int = 65_536) -> np.ndarray:
    blocks = (sound[start : start + size] for start in range(0, len(sound), size))
    return np.concatenate(
        [
            np.zeros((0, sound.shape[1]), np.float32),
            *Limiter(RATE, sound.shape[1], gain=gain, ceiling=ceiling).run(blocks),
        ]
    )


def practice_track(seconds: int = 12, rate: int = RATE, clicks: float = 0.9) -> np.ndarray:
    """Steady bowed sound with a sharp click every half second: what makes a limiter work in a play-along track."""
    time = np.arange(rate * seconds) / rate
    bowed = np.sum([np.sin(2 * np.pi * 196 * k * time) / k for k in range(1, 9)], axis=0) * 0.04
    sound = np.stack([bowed, 0.8 * bowed], axis=1)
    sound += np.random.default_rng(5).standard_normal(sound.shape) * 1e-3
    blip = np.exp(-300 * time[: rate // 50]) * np.sin(2 * np.pi * 1800 * time[: rate // 50]) * clicks
    for start in range(rate // 4, len(sound) - len(blip), rate // 2):
        sound[start : start + len(blip)] += blip[:, None]
    return sound.astype(np.float32)


def again(sound: np.ndarray) -> Callable[[], Iterable[np.ndarray]]:
    return lambda: [sound[start : start + 30_000] for start in range(0, len(sound), 30_000)]


# --- what comes out ---


def signals() -> dict[str, np.ndarray]:
    random = np.random.default_rng(0)
    count = np.arange(2 * RATE)
    square = np.sign(np.sin(2 * np.pi * 441 * count / RATE)) * 0.9
    between = (
        np.sin(2 * np.pi * count / 4 + np.pi / 4) * 0.99
    )  # EBU Tech 3341 case 16 made loud: +2.9 dB between samples
    burst = np.zeros(2 * RATE)
    burst[RATE] = 1.0
    return {
        "white noise": random.uniform(-1, 1, (2 * RATE, 2)),
        "square wave": np.stack([square, square], axis=1),
        "peaks between samples": np.stack([between, 0 * between], axis=1),
        "one sample": np.stack([burst, burst], axis=1),
        "loud from the first to the last frame": np.full((2 * RATE, 2), 0.95),
        "practice track": practice_track(4),
    }


@pytest.mark.parametrize("gain", [0.0, 7.0, 12.0])
@pytest.mark.parametrize("name", signals())
def test_no_true_peak_passes_the_ceiling(name: str, gain: float) -> None:
    out = limited(signals()[name].astype(np.float32), gain=gain)
    assert true_peak(out) <= -1.0


@libebur128.needed
@pytest.mark.parametrize("name", signals())
def test_libebur128_reads_no_peak_above_the_ceiling(name: str) -> None:
    out = limited(signals()[name].astype(np.float32), gain=6.0)
    assert libebur128.true_peak(out, RATE) <= -1.0


@pytest.mark.parametrize("gain", [-20.0, 6.0])
@pytest.mark.parametrize("name", signals())
def test_the_limiter_knows_the_true_peak_it_gives_out(name: str, gain: float) -> None:
    sound = signals()[name].astype(np.float32)
    limiter = Limiter(RATE, 2, gain=gain)
    out = np.concatenate(list(limiter.run(again(sound)())))
    # White noise is strong up to half the rate, where scipy's filter is 6 dB down and every interpolator has its own edge.
    assert limiter.true_peak() == pytest.approx(true_peak(out), abs=0.5 if name == "white noise" else 0.03)


def test_a_limited_peak_comes_up_to_the_ceiling() -> None:
    assert true_peak(limited(practice_track(4), gain=6.0)) == pytest.approx(-1.2, abs=0.1)


def test_what_lies_below_the_ceiling_is_gain_times_input_bit_for_bit() -> None:
    sound = practice_track(4, clicks=0.2)
    assert np.array_equal(limited(sound, gain=4.0), sound * np.float32(10 ** (4 / 20)))


def test_only_the_neighbourhood_of_a_peak_is_touched() -> None:
    sound = practice_track(4, clicks=0.2)
    sound[2 * RATE] = 1.5
    out = limited(sound)
    touched = np.flatnonzero((out != sound).any(axis=1)) - 2 * RATE
    assert touched.min() >= -round(0.005 * RATE)
    # Back at 80 dB a second from 4.5 to 5 dB down.
    assert 0.05 * RATE < touched.max() < 0.08 * RATE


def test_the_gain_moves_smoothly() -> None:
    """The dip can be seen on a steady level: no step larger than a slope of 5 dB in 2 ms makes."""
    sound = np.full((RATE, 2), 0.3, np.float32)
    sound[RATE // 2] = 1.5
    out = limited(sound)
    dip = 20 * np.log10(np.delete(out[:, 0] / sound[:, 0], RATE // 2))
    assert dip.min() < -4.0
    assert np.abs(np.diff(dip)).max() < 0.12
    assert np.abs(np.diff(dip, 2)).max() < 0.01


def test_all_channels_dip_together() -> None:
    sound = np.full((RATE, 2), 0.25, np.float32)
    sound[RATE // 2, 0] = 1.6
    out = limited(sound)
    rest = np.arange(RATE) != RATE // 2
    assert out[rest, 0].min() < 0.24
    assert np.array_equal(out[rest, 0], out[rest, 1])


# --- streaming ---


def test_a_dip_is_the_same_wherever_its_peak_lies() -> None:
    """Also where it begins in one of the limiter's own chunks and is released in the next."""
    dips = []
    for place in range(RATE, 4 * RATE, 20 * 64):
        sound = np.full((5 * RATE, 1), 0.3, np.float32)
        sound[place] = 1.5
        dips.append(limited(sound)[place - 300 : place + 4_000])
    assert len(dips) > 100
    assert all(np.abs(dip - dips[0]).max() < 1e-6 for dip in dips)


def test_how_deep_it_went_is_told() -> None:
    quiet, loud = Limiter(RATE, 1), Limiter(RATE, 1)
    for limiter, peak in ((quiet, 0.5), (loud, 1.5)):
        sound = np.full((RATE, 1), 0.3, np.float32)
        sound[RATE // 2] = peak
        list(limiter.run([sound]))
    assert quiet.deepest == 0
    assert loud.deepest == pytest.approx(-1 - 20 * np.log10(1.5), abs=0.5)


@pytest.mark.parametrize("size", [64, 1_000, 40_960, 81_920, 300_000])
def test_the_block_size_changes_no_bit(size: int) -> None:
    sound = practice_track(5)
    assert np.array_equal(limited(sound, gain=5.0, size=size), limited(sound, gain=5.0))


@pytest.mark.parametrize("frames", [0, 1, 200, 40_959, 81_919, 81_920, 82_160, 163_840])
def test_as_much_comes_out_as_went_in(frames: int) -> None:
    sound = np.full((frames, 2), 0.1, np.float32)
    assert np.array_equal(limited(sound), sound)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.lists(st.integers(0, 90_000), max_size=12), st.floats(-3, 15))
def test_peaks_anywhere_are_held_down(seed: int, places: list[int], gain: float) -> None:
    """Also across the edges of the chunks it works in, and one dip after another."""
    sound = (np.random.default_rng(seed).standard_normal((90_001, 1)) * 0.02).astype(np.float32)
    for place in places:
        sound[place] = 0.9
    out = limited(sound, gain=gain)
    assert true_peak(out) <= -1.0
    assert (np.abs(out) <= np.abs(sound) * np.float32(10 ** (gain / 20))).all()
