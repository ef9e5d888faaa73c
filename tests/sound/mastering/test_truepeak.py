"""True peak, as the limiter tells it of what it leaves alone, against published test signals and independent meters.

Sources: ITU-R BS.1770-5 (11/2023), Annex 2; EBU Tech 3341 (v4, November 2023), Table 1, whose case numbers the tests carry,
tolerance +0.2 and -0.4 dB. Independent meters: scipy's interpolation, and libebur128 through pyebur128.
"""

from __future__ import annotations

from math import inf

import numpy as np
import pytest
from scipy import signal

from underbow.sound.mastering.limiter import Limiter
from underbow.sound.mastering.truepeak import PeakScan

from .. import libebur128
from ..signals import phrase

RATE, CHUNK = 48_000, 81_920


def true_peak(*channels: np.ndarray, rate: int = RATE, size: int = CHUNK) -> float:
    sound = np.stack(channels, axis=1).astype(np.float32)
    limiter = Limiter(rate, len(channels), ceiling=60.0)
    out = np.concatenate([*limiter.run(sound[at : at + size] for at in range(0, len(sound), size))])
    assert np.array_equal(out, sound)
    return limiter.true_peak()


def test_silence_has_none() -> None:
    assert true_peak(np.zeros(RATE)) == -inf


@libebur128.needed
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_it_agrees_with_libebur128(rate: int) -> None:
    sound = phrase(rate, 12, seed=3)
    assert true_peak(*sound.T, rate=rate) == pytest.approx(libebur128.true_peak(sound, rate), abs=0.05)


@pytest.mark.parametrize("size", [65, 1_000, 81_919, 300_000])
def test_the_block_size_changes_nothing(size: int) -> None:
    sound = phrase(44_100, 5)
    assert true_peak(*sound.T, rate=44_100, size=size) == true_peak(*sound.T, rate=44_100)


def faded(hertz: float, amplitude: float, degrees: float) -> np.ndarray:
    """One second with fades of 10 ms, as the EBU makes its tones."""
    count = np.arange(RATE)
    wave = amplitude * np.sin(2 * np.pi * hertz / RATE * count + np.radians(degrees))
    return wave * np.clip(np.minimum(count, RATE - 1 - count) / (0.010 * RATE), 0, 1)


@pytest.mark.parametrize(
    ("part", "amplitude", "degrees", "dbtp"),
    [(4, 0.5, 0, -6.0), (4, 0.5, 45, -6.0), (6, 0.5, 60, -6.0), (8, 0.5, 67.5, -6.0), (4, 1.41, 45, 3.0)],
    ids=["case 15", "case 16", "case 17", "case 18", "case 19"],
)
def test_true_peak_of_the_ebu_tones(part: int, amplitude: float, degrees: float, dbtp: float) -> None:
    wave = faded(RATE / part, amplitude, degrees)
    read = true_peak(wave, wave)
    assert dbtp - 0.4 <= read <= dbtp + 0.2
    assert read == pytest.approx(dbtp, abs=0.05)


@pytest.mark.parametrize("offset", range(4))
def test_cases_20_to_23_a_peak_between_samples(offset: int) -> None:
    # An fs/6 tone at 0.5 with one period of fs/4 at 1.0 in it, made at 4 fs, low-passed, every fourth sample kept.
    count = np.arange(4 * RATE)
    wave = 0.5 * np.sin(2 * np.pi * count / 24)
    wave[2 * RATE : 2 * RATE + 16] = np.sin(2 * np.pi * np.arange(16) / 16)
    lowpass = signal.firwin(511, 0.9 / 4)
    kept = signal.fftconvolve(wave, lowpass, mode="same")[offset::4]
    truth = 20 * np.log10(np.abs(signal.resample_poly(kept, 32, 1)).max())
    assert true_peak(kept) == pytest.approx(truth, abs=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_leaving_windows_out_never_loses_the_peak(seed: int) -> None:
    """The same interpolation done everywhere, by scipy, finds no higher point; on noise, where the bounds bite least."""
    random = np.random.default_rng(seed)
    sound = signal.lfilter(*signal.butter(1, [0.02, 0.3, 0.6, 0.99][seed]), random.standard_normal(60_000)) * 0.1
    sound *= 1 + 0.2 * np.sin(np.arange(60_000) / 3000)
    sound = sound.astype(np.float32)
    distance = np.arange(-127, 128) / 8
    taps = np.sinc(distance) * np.i0(7.0 * np.sqrt(1 - (distance / 16) ** 2))
    for phase in range(8):
        taps[(phase + 7) % 8 :: 8] /= taps[(phase + 7) % 8 :: 8].sum()
    everywhere = np.abs(signal.upfirdn(taps, sound.astype(np.float64), up=8)).max()
    assert true_peak(sound) == pytest.approx(20 * np.log10(everywhere), abs=1e-5)


def test_no_window_is_left_out_at_a_threshold_just_below_its_peak() -> None:
    """Windows made to reach the bounds: samples of full scale whose signs are those of the taps for one point."""
    random = np.random.default_rng(2)
    sound = signal.lfilter(*signal.butter(2, 0.2), random.standard_normal((64 * 320, 1)), axis=0).astype(np.float32)
    for window in range(4, 300, 4):
        fraction = random.integers(1, 8) / 8
        sound[64 * window : 64 * window + 32, 0] = np.sign(np.sinc(np.arange(-15, 17) - fraction))
        sound[64 * window : 64 * window + 32, 0] *= random.uniform(0.3, 1)
    scan = PeakScan(1, len(sound))
    scan.load(sound)
    windows, peaks = scan.above(0.0)
    tops = peaks.max(axis=1)
    assert tops.max() > 2.3  # the first bound is 2.43
    for window, top in zip(windows, tops, strict=True):
        assert window in scan.above(0.9999 * float(top))[0]


def test_a_peak_in_the_last_and_the_first_frame_counts() -> None:
    for frame in (0, CHUNK - 1, CHUNK, -1):
        wave = np.zeros(CHUNK + 77)
        wave[frame] = 0.5
        assert true_peak(wave) == pytest.approx(-6.02, abs=0.01)
        wave[frame + (1 if frame == 0 else -1)] = 0.5  # two like samples: higher between them
        assert true_peak(wave) > -4.5
