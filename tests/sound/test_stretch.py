"""A recording stretched: what is weak in it beside a strong tone stays as it is."""

import numpy as np
import pytest

from underbow.sound.stretch import Floats, Stretcher

RATE = 44_100


def hiss(sound: Floats) -> float:
    """Level over 2 kHz, dB."""
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)))) ** 2
    return float(10 * np.log10(power[np.fft.rfftfreq(len(sound), 1 / RATE) > 2000].sum()))


@pytest.mark.parametrize("pace", [0.95, 1.05])
def test_a_sound_goes_on_while_it_is_near_the_line(pace: float) -> None:
    """Each join of noise with other noise loses up to 3 dB halfway: were every grain joined, 0.8 dB in all."""
    rng = np.random.default_rng(1)
    tone = np.sin(2 * np.pi * 440 * np.arange(3 * RATE) / RATE)
    sound = (tone + rng.normal(0, 0.003, len(tone))).astype(np.float32)
    stretcher = Stretcher(sound, RATE, lambda frame: (frame * pace, 1.0))
    out = np.concatenate([stretcher.grain() for _ in range(80)])
    assert hiss(out[RATE // 4 : 9 * RATE // 4]) - hiss(sound[RATE // 4 : 9 * RATE // 4]) == pytest.approx(0, abs=0.5)
