"""Guitar, mandolin, banjo and piano, by ear."""

from __future__ import annotations

import numpy as np
import pytest

from underbow.sound.synth.builtin import BuiltinVoice
from underbow.sound.voice.voices import Action, ActionNote
from underbow.track.performance import Manner

GUITAR, MANDOLIN, BANJO, PIANO = (25, False), (15, True), (105, True), (0, True)


@pytest.fixture(scope="module")
def voice() -> BuiltinVoice:
    return BuiltinVoice(44_100)


def pluck(*notes: ActionNote, kind: tuple[int, bool] = GUITAR, accent: int = 7, bow: str = "") -> Action:
    return Action(Manner.PLUCK, notes, bow=bow, accent=accent, program=kind[0], solo=kind[1])


@pytest.mark.parametrize(("concert_pitch", "rate"), [(440.0, 44_100), (442.0, 48_000)])
@pytest.mark.parametrize("kind", [GUITAR, MANDOLIN, BANJO, PIANO])
def test_pitch_is_within_5_cents(ear, kind: tuple[int, bool], concert_pitch: float, rate: int) -> None:
    voice = BuiltinVoice(rate, concert_pitch)
    for midi in range(40, 68, 3) if kind == GUITAR else range(55, 84, 3):
        samples = voice.sounds(pluck(ActionNote(0, rate, midi), kind=kind))
        assert abs(ear.cents(samples[rate // 50 : rate * 3 // 4], midi, concert_pitch, rate)) < 4, midi


@pytest.mark.parametrize("kind", [GUITAR, MANDOLIN, BANJO, PIANO])
def test_level_is_the_reference_over_the_first_fifth_of_a_second(ear, voice, kind: tuple[int, bool]) -> None:
    for accent in (1, 5, 9):
        for midi in (55, 62, 74):
            samples = voice.sounds(pluck(ear.note(0, 0.6, midi), kind=kind, accent=accent))
            assert ear.db(ear.cut(samples, 0, 0.2)) == pytest.approx(-20, abs=0.1)
    chord = voice.sounds(pluck(*(ear.note(0, 0.15, midi) for midi in (55, 59, 62, 67)), kind=kind))
    assert ear.db(ear.cut(chord, 0, 0.15)) == pytest.approx(-20, abs=0.1)


def test_high_partials_die_first(ear, voice) -> None:
    """Damping rises with frequency (Fletcher and Rossing, from memory): a plucked string grows darker as it rings."""
    samples = voice.sounds(pluck(ear.note(0, 2.0, 43)))
    centroids = [ear.centroid(ear.cut(samples, t, t + 0.1)) for t in (0.02, 0.3, 0.8, 1.5)]
    assert centroids == sorted(centroids, reverse=True)
    assert centroids[0] > 1.3 * centroids[-1]


def test_a_guitar_rings_longer_than_a_mandolin_and_that_longer_than_a_banjo(ear, voice) -> None:
    falls = []
    for kind in (GUITAR, MANDOLIN, BANJO):
        samples = voice.sounds(pluck(ear.note(0, 1.0, 62), kind=kind))
        falls.append(ear.db(ear.cut(samples, 0.02, 0.1)) - ear.db(ear.cut(samples, 0.4, 0.5)))
    assert 4 < falls[0] < falls[1] < falls[2] < 40


def test_a_mandolins_pairs_beat(ear, voice) -> None:
    samples = voice.sounds(pluck(ear.note(0, 2.0, 69), kind=MANDOLIN))
    middle = ear.cut(samples, 0.05, 1.5)
    spectrum = np.abs(np.fft.rfft(middle * np.hanning(len(middle)), 1 << 19))
    frequencies = np.fft.rfftfreq(1 << 19, 1 / ear.rate)
    near = (frequencies > 4 * 440 - 6) & (frequencies < 4 * 440 + 6)
    inner = spectrum[near]
    peaks = np.flatnonzero((inner[1:-1] > inner[:-2]) & (inner[1:-1] > inner[2:]) & (inner[1:-1] > 0.2 * inner.max()))
    apart = np.ptp(frequencies[near][peaks + 1])
    assert 1.5 < apart < 4.5  # 2.6 cents at the fourth partial are 2.6 Hz


def test_a_strum_reaches_one_string_after_the_other(ear, voice) -> None:
    chord = [ear.note(0, 0.5, midi) for midi in (55, 62, 67)]
    down, up = (voice.sounds(pluck(*chord, bow=bow)) for bow in "du")
    assert not np.array_equal(down, up)

    def strength(samples: np.ndarray, midi: int) -> float:
        start = ear.cut(samples, 0, 0.006) * np.hanning(round(0.006 * ear.rate))
        return float(
            np.abs(np.exp(-2j * np.pi * 440 * 2 ** ((midi - 69) / 12) * np.arange(len(start)) / ear.rate) @ start)
        )

    assert strength(down, 55) / strength(down, 67) > 3 * strength(up, 55) / strength(up, 67)


def test_the_hand_damps_at_the_end_and_nothing_clicks(ear, voice) -> None:
    for kind in (GUITAR, MANDOLIN, BANJO, PIANO):
        samples = voice.sounds(pluck(ear.note(0, 0.4, 55), kind=kind))
        assert ear.db(ear.cut(samples, 0.3, 0.4)) > ear.db(ear.cut(samples, 0.5, 0.55)) + 15
        top = np.abs(samples).max()
        assert np.abs(samples[-20:]).max() < 0.001 * top
        assert abs(samples.mean()) < 1e-3 * top
        at = round(0.4 * ear.rate)
        assert np.abs(np.diff(samples[at - 50 : at + 50])).max() < 0.15 * top


def test_the_attack_is_there_within_2_ms(ear, voice) -> None:
    for kind in (GUITAR, MANDOLIN, BANJO, PIANO):
        samples = np.abs(voice.sounds(pluck(ear.note(0, 0.4, 62), kind=kind)))
        assert np.argmax(samples > 0.25 * samples.max()) < 0.002 * ear.rate


def test_long_notes_are_not_cut_where_rings_are_kept_in_steps(ear, voice) -> None:
    for seconds in (0.9, 1.0, 1.9, 3.7):
        samples = voice.sounds(pluck(ear.note(0, seconds, 43)))
        assert seconds * ear.rate < len(samples) < (seconds + 0.5) * ear.rate
        assert ear.db(ear.cut(samples, seconds - 0.05, seconds)) > -90


def test_a_very_long_note_dies_away_by_itself(ear, voice) -> None:
    samples = voice.sounds(pluck(ear.note(0, 20.0, 40)))
    assert len(samples) > 20 * ear.rate
    assert ear.db(ear.cut(samples, 7.0, 7.9)) < -60
    assert not ear.cut(samples, 8.1, 20.0).any()
    assert np.abs(np.diff(ear.cut(samples, 7.9, 8.1))).max() < 1e-4


def test_a_later_note_of_a_gesture_starts_where_it_is_written(ear, voice) -> None:
    samples = voice.sounds(pluck(ear.note(0, 0.25, 62), ear.note(0.25, 0.25, 64), kind=MANDOLIN))
    assert abs(ear.cents(ear.cut(samples, 0.32, 0.5), 64)) < 6
    assert ear.db(ear.cut(samples, 0, 0.2)) == pytest.approx(-20, abs=0.1)


def test_a_guitars_wound_strings_ring_longer_and_lose_their_brightness_sooner_than_plain_ones(ear, voice) -> None:
    """Low E against high E, each open: how the fundamental falls, and what lies above 2 kHz against what lies below."""
    falls, darker = [], []
    for midi in (40, 64):
        samples = voice.sounds(pluck(ear.note(0, 2.0, midi)))
        parts = [np.abs(np.fft.rfft(ear.cut(samples, t, t + 0.3) * np.hanning(13_230))) ** 2 for t in (0.05, 1.0)]
        hertz = np.fft.rfftfreq(13_230, 1 / ear.rate)
        base = np.abs(hertz / (440 * 2 ** ((midi - 69) / 12)) - 1) < 0.1
        falls.append(10 * np.log10(parts[0][base].sum() / parts[1][base].sum()))
        shares = [10 * np.log10(part[hertz > 2000].sum() / part[hertz < 2000].sum()) for part in parts]
        darker.append(shares[0] - shares[1])
    assert falls[0] < falls[1]
    assert darker[0] > darker[1]


def test_a_hard_stroke_is_brighter_than_a_soft_one(ear, voice) -> None:
    for midi in (43, 55, 64):
        shares = []
        for accent in (2, 9):
            sound = ear.cut(voice.sounds(pluck(ear.note(0, 0.6, midi), accent=accent)), 0.05, 0.4)
            power, hertz = (
                np.abs(np.fft.rfft(sound * np.hanning(len(sound)))) ** 2,
                np.fft.rfftfreq(len(sound), 1 / ear.rate),
            )
            shares.append(10 * np.log10(power[hertz > 1500].sum() / power.sum()))
        assert shares[1] > shares[0] + 2, (midi, shares)
