"""Loudness against the published test signals and two independent meters.

Sources: ITU-R BS.1770-5 (11/2023), Annex 1; EBU Tech 3341 (v4, November 2023), Table 1, whose case numbers the tests
carry: levels are peaks of a 1000 Hz sine in dBFS, stereo in phase at 48 kHz, tolerance 0.1 LU. Independent meters:
pyloudnorm (its filter_class "DeMan"; the default reads 0.04 LU low on the reference sine, its issue 16) and libebur128
through pyebur128.
"""

from __future__ import annotations

from math import inf

import numpy as np
import pyloudnorm
import pytest
from scipy import signal

from underbow.errors import UnderbowError
from underbow.sound.mastering.kweight import KFilter, k_coefficients, k_gain_db
from underbow.sound.mastering.loudness import LoudnessMeter, gated

from .. import libebur128
from ..signals import phrase

RATE = 48_000
TOLERANCE = 0.1


def tone(*parts: tuple[float, float], rate: int = RATE, hertz: float = 1000.0) -> np.ndarray:
    """A phase-continuous sine, shape (frames,), of ``(seconds, dBFS)`` parts; -inf is silence."""
    levels = np.concatenate([np.full(round(seconds * rate), 10 ** (level / 20)) for seconds, level in parts])
    return levels * np.sin(2 * np.pi * hertz / rate * np.arange(len(levels)))


def meter(*channels: np.ndarray, rate: int = RATE) -> LoudnessMeter:
    result = LoudnessMeter(rate, len(channels))
    result.add(np.stack(channels, axis=1).astype(np.float32))
    return result


def stereo(*parts: tuple[float, float]) -> LoudnessMeter:
    wave = tone(*parts)
    return meter(wave, wave)


# --- the filter ---

# Gains of the filter whose coefficients BS.1770 tabulates for 48 kHz, worked out from that table.
TABLE = {
    50.0: -3.934,
    100.0: -1.133,
    196.0: -0.278,
    293.66: -0.096,
    440.0: 0.008,
    659.26: 0.160,
    997.0: 0.691,
    1000.0: 0.698,
    2000.0: 3.071,
    4000.0: 3.968,
    10000.0: 4.042,
}


@pytest.mark.parametrize(("hertz", "gain"), TABLE.items())
def test_k_weighting_has_the_gains_of_the_standard(hertz: float, gain: float) -> None:
    assert k_gain_db(hertz) == pytest.approx(gain, abs=0.001)


def test_the_coefficients_at_48_khz_are_those_of_the_standard() -> None:
    # BS.1770-5, Annex 1, Tables 1 and 2.
    (b1, a1), (b2, a2) = k_coefficients(48_000)
    assert b1 == pytest.approx([1.53512485958697, -2.69169618940638, 1.19839281085285], abs=1e-9)
    assert a1 == pytest.approx([1, -1.69065929318241, 0.73248077421585], abs=1e-9)
    assert b2 == pytest.approx([1, -2, 1], abs=1e-9)
    assert a2 == pytest.approx([1, -1.99004745483398, 0.99007225036621], abs=1e-9)


@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
def test_other_rates_have_the_same_gains_where_a_fiddle_sounds(rate: int) -> None:
    for hertz, gain in TABLE.items():
        if hertz <= 4000:
            # The standard's second stage isn't scaled to a gain of exactly 1: 0.04 dB at 48 kHz, less at higher rates.
            assert k_gain_db(hertz, rate) == pytest.approx(gain, abs=0.04)


@pytest.mark.parametrize("rate", [8_000, 44_100, 192_000])
def test_the_fast_filter_is_the_plain_filter(rate: int) -> None:
    # scipy.signal.lfilter, sample by sample in double precision, on noise with a slow drift (the hard case).
    sound = np.random.default_rng(0).standard_normal((2 * KFilter.chunk, 2)).astype(np.float32)
    sound[:, 1] += 0.01 * np.cumsum(sound[:, 1])
    fast = KFilter(rate, 2)
    ours = np.concatenate([fast.run(part).copy() for part in np.split(sound, 2)], axis=1)
    plain = sound.T.astype(np.float64)
    for b, a in k_coefficients(rate):
        plain = signal.lfilter(b, a, plain)
    assert np.abs(ours - plain).max() < 1e-6 * np.abs(plain).max()


@pytest.mark.parametrize("rate", [0, 7_999, 192_001])
def test_a_rate_out_of_range_is_refused(rate: int) -> None:
    with pytest.raises(UnderbowError, match=f"not at {rate} Hz"):
        LoudnessMeter(rate, 2)


# --- integrated loudness ---


@pytest.mark.parametrize(("channels", "lufs"), [(1, -3.01), (2, 0.0)])
def test_the_reference_sine(channels: int, lufs: float) -> None:
    # BS.1770-5, Annex 1: 0 dBFS at 997 Hz in one front channel reads -3.01 LKFS; in two, 3.01 more.
    wave = tone((10, 0), hertz=997.0)
    assert meter(*[wave] * channels).integrated() == pytest.approx(lufs, abs=0.01)


CASES = {
    "case 1": ([(20, -23)], -23.0),
    "case 2": ([(20, -33)], -33.0),
    "case 3": ([(10, -36), (60, -23), (10, -36)], -23.0),
    "case 4": ([(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)], -23.0),
    "case 5": ([(20, -26), (20.1, -20), (20, -26)], -23.0),
    "section 2.9": ([(20, -18)], -18.0),
    # Beyond the EBU's own: what the gates keep and drop, by arithmetic from BS.1770.
    "kept by the relative gate": ([(60, -23), (10, -32)], -23.58),
    "dropped by the relative gate": ([(60, -23), (10, -34)], -23.0),
    "dropped by the absolute gate alone": ([(10, -65), (10, -72)], -65.0),
}


@pytest.mark.parametrize("case", CASES)
def test_integrated_loudness_of_the_ebu_signals(case: str) -> None:
    parts, lufs = CASES[case]
    assert stereo(*parts).integrated() == pytest.approx(lufs, abs=TOLERANCE)


@pytest.mark.parametrize("case", ["case 1", "case 2"])
def test_steady_tones_read_the_same_momentary_and_short_term(case: str) -> None:
    parts, lufs = CASES[case]
    measured = stereo(*parts)
    assert measured.momentary()[5:] == pytest.approx(lufs, abs=TOLERANCE)
    assert measured.short_term()[5:] == pytest.approx(lufs, abs=TOLERANCE)


def test_case_6_weights_the_surround_channels() -> None:
    channels = [tone((20, level)) for level in (-28, -28, -24, -30, -30)]
    assert meter(*channels).integrated() == pytest.approx(-23.0, abs=TOLERANCE)


def test_case_9_short_term_is_constant() -> None:
    assert stereo(*[(1.34, -20), (1.66, -30)] * 5).short_term() == pytest.approx(-23.0, abs=TOLERANCE)


@pytest.mark.parametrize("number", range(0, 20, 3))
def test_case_10_a_burst_of_three_seconds_is_found_wherever_it_lies(number: int) -> None:
    measured = stereo((number * 0.15, -inf), (3, -23), (1, -inf))
    assert measured.short_term().max() == pytest.approx(-23.0, abs=TOLERANCE)


def test_case_11_each_burst_is_louder_than_the_one_before() -> None:
    bursts = [[(i * 0.15, -inf), (3, -38 + i), (3 - i * 0.15, -inf)] for i in range(20)]
    short = stereo(*(part for burst in bursts for part in burst)).short_term()
    for number in range(20):
        ends = short[max(60 * number - 29, 0) : 60 * number + 31]  # those that end within the burst's six seconds
        assert ends.max() == pytest.approx(-38 + number, abs=TOLERANCE)


def test_case_12_momentary_is_constant() -> None:
    assert stereo(*[(0.18, -20), (0.22, -30)] * 25).momentary()[6:] == pytest.approx(-23.0, abs=TOLERANCE)


def test_one_channel_alone_and_channels_of_opposite_sign() -> None:
    wave = tone((10, -23))
    assert meter(wave, 0 * wave).integrated() == pytest.approx(-26.01, abs=0.02)
    assert meter(wave, -wave).integrated() == pytest.approx(-23.0, abs=0.02)


@pytest.mark.parametrize("seconds", [0.0, 0.3999])
def test_less_than_one_gating_block_has_no_loudness(seconds: float) -> None:
    assert stereo((seconds, -10)).integrated() == -inf


def test_silence_is_minus_infinity() -> None:
    silent = stereo((2, -inf))
    assert silent.integrated() == -inf


@pytest.mark.parametrize("rate", [8_000, 11_025, 22_050, 44_100, 48_000, 96_000])
def test_loudness_agrees_with_pyloudnorm(rate: int) -> None:
    sound = phrase(rate, 12)
    theirs = pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(sound.astype(np.float64))
    # At 11,025 Hz a tenth of a second is no whole number of frames, and meters round differently.
    assert meter(*sound.T, rate=rate).integrated() == pytest.approx(theirs, abs=0.001 if rate != 11_025 else 0.01)


@libebur128.needed
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_loudness_agrees_with_libebur128(rate: int) -> None:
    sound = phrase(rate, 12, seed=3)
    theirs = libebur128.integrated(sound, rate)
    assert meter(*sound.T, rate=rate).integrated() == pytest.approx(theirs, abs=0.001)


# --- streaming ---


@pytest.mark.parametrize("size", [1_000, 65, 81_920, 163_840, 163_841, 400_000])
def test_the_block_size_changes_nothing(size: int) -> None:
    sound = phrase(44_100, 9)
    whole, cut = meter(*sound.T, rate=44_100), LoudnessMeter(44_100, 2)
    for start in range(0, len(sound), size):
        cut.add(sound[start : start + size])
    assert cut.integrated() == whole.integrated()
    assert np.array_equal(cut.momentary(), whole.momentary())


def test_a_meter_that_was_read_takes_no_more() -> None:
    measured = stereo((1, -23))
    measured.integrated()
    with pytest.raises(ValueError, match="its stream has ended"):
        measured.add(np.zeros((10, 2), np.float32))


def test_channels_without_a_weight_are_refused() -> None:
    with pytest.raises(ValueError, match="1, 2 or 5"):
        LoudnessMeter(48_000, 4)


def test_gated_of_nothing() -> None:
    assert gated(np.zeros(0)) == -inf
