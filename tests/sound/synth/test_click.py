from __future__ import annotations

import numpy as np
import pytest

from underbow.sound.synth.builtin import BuiltinVoice
from underbow.sound.voice.voices import Action, ActionNote
from underbow.track.performance import Manner

FIRST, OTHER = 76, 77  # high and low wood block of the General MIDI percussion map


def click(key: int, rate: int = 44_100, level: float = 0.0) -> np.ndarray:
    return BuiltinVoice(rate).sounds(Action(Manner.CLICK, (ActionNote(0, rate // 20, key, level),)))


@pytest.mark.parametrize("rate", [22_050, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("key", [FIRST, OTHER])
def test_the_onset_is_sample_0_and_it_is_the_peak(key: int, rate: int) -> None:
    samples = np.abs(click(key, rate))
    assert samples.argmax() == 0
    assert samples[0] == pytest.approx(10 ** (-8 / 20), rel=1e-4)


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_clicks_put_down_on_a_beat_are_found_on_it(rate: int) -> None:
    starts = [round(i * rate * 60 / 97) for i in range(8)]
    track = np.zeros(starts[-1] + rate, dtype=np.float32)
    for i, start in enumerate(starts):
        samples = click(FIRST if i % 4 == 0 else OTHER, rate)
        track[start : start + len(samples)] += samples
    loud = np.flatnonzero(np.abs(track) > 0.05)
    found = loud[np.diff(loud, prepend=-rate) > rate // 10]
    assert found.tolist() == starts


def test_the_first_beat_is_another_block(ear) -> None:
    first, other = click(FIRST), click(OTHER)
    assert ear.centroid(first) > 1.3 * ear.centroid(other)
    tops = [np.abs(np.fft.rfft(samples, 1 << 16)).argmax() for samples in (first, other)]
    assert 5 < 12 * np.log2(tops[0] / tops[1]) < 9  # about a fifth higher: told apart with any loudspeaker


def test_it_is_short_smooth_at_its_end_and_without_dc(ear) -> None:
    for key in (FIRST, OTHER):
        samples = click(key)
        assert len(samples) < 0.2 * ear.rate
        assert ear.db(ear.cut(samples, 0.08, 0.12)) < ear.db(ear.cut(samples, 0, 0.02)) - 25
        assert abs(samples[-1]) < 1e-6
        assert abs(samples.mean()) < 1e-6


def test_the_level_of_a_note_counts(ear) -> None:
    assert ear.db(click(OTHER, level=-6.0)) == pytest.approx(ear.db(click(OTHER)) - 6, abs=0.01)


def test_any_other_key_is_the_low_block() -> None:
    assert np.array_equal(click(33), click(OTHER))
