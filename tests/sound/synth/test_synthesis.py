"""The parts that voices are made of, against what they say they are."""

from __future__ import annotations

import zlib

import numpy as np
import pytest
from scipy import signal

from underbow.sound.synth import legato
from underbow.sound.synth.body import GUITAR, VIOLIN, Body
from underbow.sound.synth.legato import Style
from underbow.sound.synth.noise import band, cut, number_of
from underbow.sound.synth.ringing import ringing
from underbow.sound.synth.wavetable import Table, harmonics, read
from underbow.sound.voice.voices import Action, ActionNote
from underbow.track.performance import Manner


@pytest.mark.parametrize("frames", [0, 1, 2, 99, 100, 101, 5000])
def test_ringing_is_the_sum_it_says(frames: int) -> None:
    rng = np.random.default_rng(0)
    frequencies, decays, amplitudes, phases = (
        rng.uniform(50, 20_000, 9),
        rng.uniform(0.001, 2, 9),
        rng.normal(size=9),
        rng.uniform(0, 6, 9),
    )
    time = np.arange(frames)[:, None] / 44_100
    plainly = (amplitudes * np.exp(-time / decays) * np.sin(2 * np.pi * frequencies * time + phases)).sum(axis=1)
    assert np.allclose(ringing(frequencies, decays, amplitudes, phases, frames=frames, rate=44_100), plainly, atol=1e-9)


def test_a_table_read_at_any_speed_is_its_sines() -> None:
    amplitudes = 1 / np.arange(1, 31)
    phase = np.cumsum(np.random.default_rng(1).uniform(0.0, 0.02, 5000))
    (found,) = read(phase, Table(amplitudes))
    plainly = (amplitudes * np.sin(2 * np.pi * np.outer(phase, np.arange(1, 31)))).sum(axis=1)
    assert np.abs(found - plainly).max() < 2e-3


def test_partials_stop_at_the_ceiling_and_below_half_the_rate() -> None:
    assert harmonics(440.0, 44_100).max() <= 16_000
    assert harmonics(440.0, 22_050).max() <= 0.45 * 22_050
    assert len(harmonics(12_000.0, 22_050)) == 1


def test_noise_keeps_to_its_band_and_repeats_seamlessly() -> None:
    loop = band(1 << 15, 44_100, low=1000, high=4000, slope=0.0, seed=3)
    frequencies, power = signal.welch(np.tile(loop, 3).astype(float), 44_100, nperseg=4096)
    inside = power[(frequencies > 1500) & (frequencies < 3000)].mean()
    assert power[frequencies < 300].max() < inside * 1e-2
    assert power[frequencies > 12_000].max() < inside * 1e-2
    assert np.array_equal(cut(loop, 30_000, 80_000), np.tile(loop, 4)[30_000:110_000])


def test_numbers_do_not_come_from_pythons_hash() -> None:
    action = Action(Manner.BOW, (ActionNote(0, 1, 60),))
    assert number_of(action) == zlib.crc32(repr(action).encode())
    assert number_of(action, "tones") != number_of(action)


@pytest.mark.parametrize("design", [VIOLIN, GUITAR])
def test_the_body_is_a_convolution_of_any_length(design) -> None:
    body = Body(design, 1, 22_050)
    impulse = np.zeros(8, dtype=np.float32)
    impulse[0] = 1.0
    response = body.through(impulse)
    for frames in (1, 3000, 40_000, 300_000):  # the last in several blocks
        force = np.random.default_rng(frames).normal(size=frames).astype(np.float32)
        plainly = signal.oaconvolve(force.astype(float), response[: body.tail].astype(float))[: frames + body.tail]
        heard = body.through(force)
        assert len(heard) == frames + body.tail
        assert np.abs(heard[: len(plainly)] - plainly).max() < 1e-4 * np.abs(plainly).max() + 1e-6


def test_the_body_says_its_own_gain() -> None:
    body, rate = Body(VIOLIN, 1, 44_100), 44_100
    for frequency in (275.0, 460.0, 1200.0, 2700.0):
        tone = np.sin(2 * np.pi * frequency * np.arange(rate) / rate).astype(np.float32)
        heard = body.through(tone)[rate // 2 : rate - 1000]
        assert np.sqrt(2) * heard.astype(float).std() == pytest.approx(body.gain(np.array([frequency]))[0], rel=0.02)


def test_another_seed_is_another_fiddle_of_the_same_kind() -> None:
    grid = np.linspace(300, 5000, 2000)
    one, other = (20 * np.log10(Body(VIOLIN, seed, 44_100).gain(grid)) for seed in (7, 26))
    assert np.abs(one - other).mean() > 2
    assert abs(one.mean() - other.mean()) < 5


def bow(*notes: ActionNote) -> Action:
    return Action(Manner.BOW, notes)


def test_spans_say_what_happens_inside_a_bow() -> None:
    action = bow(
        ActionNote(0, 100, 55, 0.0, 0),
        ActionNote(0, 100, 62, 0.0, 1),
        ActionNote(100, 100, 55, -2.0, 0),
        ActionNote(100, 100, 62, -2.0, 1),
        ActionNote(200, 50, 64, -4.0, 1),
        ActionNote(300, 50, 64, -4.0, 1),
    )
    spans = legato.spans(action)
    assert [(s.start, s.end, s.kind, s.level) for s in spans] == [
        (0, 100, "attack", 0.0),
        (100, 200, "pulse", -2.0),
        (200, 250, "slur", -4.0),
        (250, 300, "rest", 0.0),
        (300, 350, "pulse", -4.0),
    ]


def test_notes_together_share_the_power_and_a_pulse_does_not_break_them() -> None:
    action = bow(
        ActionNote(0, 3200, 55, 0.0, 0), ActionNote(0, 1600, 62, -6.0, 1), ActionNote(1600, 1600, 62, 0.0, 1)
    )  # fmt: skip
    tones = legato.tones(legato.spans(action), 120, 32, 5)
    assert [(tone.midi, tone.start, tone.end) for tone in tones] == [(55, 0, 3200), (62, 0, 3200)]
    power = sum(tone.weights**2 for tone in tones)
    assert np.allclose(np.delete(power, np.arange(46, 55)), 1.0)
    assert power.min() > 0.9
    assert 20 * np.log10(tones[1].weights[10] / tones[0].weights[10]) == pytest.approx(-6)


def test_every_span_has_its_level_as_rms_of_the_shape() -> None:
    rate, step = 44_100, legato.control_step(44_100)
    notes = [ActionNote(i * 8000, 8000, 62, level, 1) for i, level in enumerate((0.0, -6.0, -3.0))]
    time = np.arange(1000) * step / rate
    parts = legato.spans(bow(*notes))
    amplitude, drive = legato.shape(bow(*notes), parts, Style(), time, rate=rate, fall=0.02)
    for span in parts:
        inside = amplitude[span.start // step : span.end // step]
        assert 10 * np.log10(np.mean(inside**2)) == pytest.approx(span.level, abs=0.5)
    assert amplitude[0] == 0.0
    assert 0.0 <= drive.min() <= drive.max() <= 1.0


def test_a_hard_start_is_a_little_flat_and_soon_right() -> None:
    """A bow that presses flattens (McIntyre and Woodhouse, from memory); a listener must not take it for a wrong note."""
    time = np.arange(200) * 32 / 44_100
    (tone,) = legato.tones(legato.spans(bow(ActionNote(0, 5000, 62))), 200, 32, 5)
    hard, soft = (
        legato.cents(tone, Style(), time, 44_100, hard=force, vibrato=False, drift=np.zeros(200))
        for force in (1.0, 0.0)
    )
    assert -20 < hard[0] < -5
    assert np.abs(hard[time > 0.08]).max() < 0.5
    assert not soft.any()
