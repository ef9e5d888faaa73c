"""Flute, reed, plain tone, and the drone that is held like one of them."""

from __future__ import annotations

import numpy as np
import pytest

from underbow.sound.synth.builtin import BuiltinVoice
from underbow.sound.voice.voices import Action
from underbow.track.performance import Manner

FLUTE, REED, PLAIN, DRONE = 73, 22, 80, 109


@pytest.fixture(scope="module")
def voice() -> BuiltinVoice:
    return BuiltinVoice(44_100)


def tone(ear, *notes, program: int, solo: bool = True, accent: int = 7) -> Action:
    return Action(Manner.TONE, notes, accent=accent, solo=solo, program=program)


@pytest.mark.parametrize("program", [FLUTE, REED, PLAIN, DRONE])
def test_pitch_and_level(ear, voice, program: int) -> None:
    for midi in range(57, 88, 5):
        samples = voice.sounds(tone(ear, ear.note(0, 0.4, midi), program=program))
        assert abs(ear.cents(ear.cut(samples, 0.08, 0.4), midi)) < 4
        assert ear.db(ear.cut(samples, 0, 0.4)) == pytest.approx(-20, abs=0.1)


def test_a_flute_has_breath_and_few_partials_a_plain_tone_no_breath(ear, voice) -> None:
    flute, plain, reed = (voice.sounds(tone(ear, ear.note(0, 0.4, 74), program=p)) for p in (FLUTE, PLAIN, REED))

    def share(samples: np.ndarray, low: float, high: float) -> float:
        middle = ear.cut(samples, 0.1, 0.38)
        power = np.abs(np.fft.rfft(middle * np.blackman(len(middle)))) ** 2
        frequencies = np.fft.rfftfreq(len(middle), 1 / ear.rate)
        return float(10 * np.log10(power[(frequencies >= low) & (frequencies < high)].sum() / power.sum()))

    between = (587.3 * 2.35, 587.3 * 2.65)  # between two partials
    assert share(flute, *between) > share(plain, *between) + 20
    assert share(flute, 4000, 12_000) < -30
    assert share(reed, 4000, 12_000) > share(flute, 4000, 12_000) + 6


def test_a_flutes_vibrato_is_one_of_loudness(ear, voice) -> None:
    samples = voice.sounds(tone(ear, ear.note(0, 2.0, 74), program=FLUTE))
    levels = np.array([ear.db(ear.cut(samples, t, t + 0.02)) for t in np.arange(0.8, 1.8, 0.01)])
    levels -= np.polyval(np.polyfit(np.arange(len(levels)), levels, 2), np.arange(len(levels)))
    assert 1.5 < np.ptp(levels) < 5
    spectrum = np.abs(np.fft.rfft(levels * np.hanning(len(levels)), 4096))
    assert np.fft.rfftfreq(4096, 0.01)[spectrum.argmax()] == pytest.approx(4.8, abs=0.5)


def test_a_drone_is_steady_and_speaks_softly(ear, voice) -> None:
    notes = (ear.note(0, 6.0, 50), ear.note(0, 6.0, 57))
    samples = voice.sounds(tone(ear, *notes, program=DRONE, solo=False))
    levels = [ear.db(ear.cut(samples, t, t + 0.4)) for t in np.arange(0.4, 5.4, 0.4)]
    assert np.ptp(levels) < 1.5
    assert ear.db(ear.cut(samples, 0, 0.02)) < np.mean(levels) - 15
    pitch = ear.track(ear.cut(voice.sounds(tone(ear, ear.note(0, 3.0, 57), program=DRONE)), 0.5, 3.0), 150, 400)
    assert np.percentile(np.abs(1200 * np.log2(pitch / 220)), 95) < 5


def test_slurred_notes_of_a_flute_take_over_without_a_gap(ear, voice) -> None:
    samples = voice.sounds(tone(ear, *(ear.note(i * 0.2, 0.2, 69 + 2 * i) for i in range(3)), program=FLUTE))
    for i in (1, 2):
        around = [ear.db(ear.cut(samples, i * 0.2 + t, i * 0.2 + t + 0.01)) for t in np.arange(-0.03, 0.03, 0.005)]
        assert min(around) > -26
        assert abs(ear.cents(ear.cut(samples, i * 0.2 + 0.03, i * 0.2 + 0.17), 69 + 2 * i)) < 8
