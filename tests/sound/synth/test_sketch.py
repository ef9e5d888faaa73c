"""The sketched fiddle, by ear: pitch, levels, attacks, pulses, bow directions, vibrato, two strings."""

from __future__ import annotations

import itertools

import librosa
import mir_eval
import numpy as np
import pytest
from scipy import signal

from underbow.sound.synth import legato
from underbow.sound.synth.builtin import BuiltinVoice
from underbow.sound.voice.voices import Action
from underbow.track.performance import Manner

OPEN = (55, 62, 69, 76)


@pytest.fixture(scope="module")
def voice() -> BuiltinVoice:
    return BuiltinVoice(44_100)


@pytest.mark.parametrize(("concert_pitch", "rate"), [(440.0, 44_100), (442.0, 48_000)])
def test_open_and_stopped_notes_are_within_5_cents(ear, concert_pitch: float, rate: int) -> None:
    """Against equal temperament at ISO 16's A4 = 440 Hz, and at 442."""
    voice = BuiltinVoice(rate, concert_pitch)
    for string, first in enumerate(OPEN):
        for midi in range(first, first + 8):
            notes = (ear.note(0, 0.7 * rate / ear.rate, midi, string=string),)
            samples = voice.sounds(Action(Manner.BOW, notes, bow="d", accent=9))
            assert abs(ear.cents(samples[rate // 20 : rate * 7 // 10], midi, concert_pitch, rate)) < 3, (string, midi)


@pytest.mark.parametrize("midi", OPEN)
def test_a_pitch_tracker_that_is_told_nothing_finds_the_open_strings(ear, voice, midi: int) -> None:
    samples = voice.sounds(ear.stroke(ear.note(0, 0.8, midi, string=OPEN.index(midi))))
    found = np.median(ear.track(ear.cut(samples, 0.06, 0.8), 150, 1200))
    assert abs(1200 * np.log2(found / librosa.midi_to_hz(midi))) < 5


def test_accents_are_2_db_a_step_whatever_pitch_and_strings(ear, voice) -> None:
    """Played one after the other at a shuffle's pace, each measured in its own place, the ring of the last one included."""
    each, accents = 0.25, (6, 8, 6, 6, 8, 6, 9, 7, 5, 3, 9, 8)
    track = np.zeros(round(ear.rate * (each * len(accents) + 1)))
    for i, accent in enumerate(accents):
        notes = [ear.note(0, each, 62 + i % 5, string=1)]
        if i % 3:
            notes.insert(0, ear.note(0, each, 55, string=0))
        samples = voice.sounds(ear.stroke(*notes, bow="du"[i % 2], accent=accent, joined=True))
        start = round(i * each * ear.rate)
        track[start : start + len(samples)] += samples * 10 ** ((accent - 9) / 10)
    for i, accent in enumerate(accents):
        level = ear.db(ear.cut(track, i * each, (i + 1) * each))
        assert level == pytest.approx(-20 + 2 * (accent - 9), abs=0.5), (i, accent)


def test_pulses_within_a_bow_have_their_levels_too(ear, voice) -> None:
    each, levels = 0.3, (-6.0, 0.0, -4.0, -2.0)
    notes = [
        ear.note(i * each, each, midi, level, string)
        for i, level in enumerate(levels)
        for string, midi in enumerate((55, 64))
    ]
    samples = voice.sounds(ear.stroke(*notes))
    for i, level in enumerate(levels):
        assert ear.db(ear.cut(samples, i * each, (i + 1) * each)) == pytest.approx(-20 + level, abs=0.5)


@pytest.mark.parametrize("accent", [5, 7, 9])
def test_pulses_and_slurs_bring_no_new_attack(ear, voice, accent: int) -> None:
    """Spectral flux above the tone's own: under 0.15 of a separate stroke's for a pulse, under 0.3 for a slurred new note."""
    each = 0.25
    separate = np.zeros(ear.rate * 2, dtype=np.float32)
    for i in range(4):
        notes = (ear.note(0, each, 55, string=0), ear.note(0, each, 64, string=1))
        samples = voice.sounds(ear.stroke(*notes, bow="du"[i % 2], accent=accent, joined=True))
        start = round(i * each * ear.rate)
        separate[start : start + len(samples)] += samples
    pulsed = [ear.note(i * each, each, midi, 0.0, string) for i in range(4) for string, midi in enumerate((55, 64))]
    slurred = [ear.note(i * each, each, midi, 0.0, 1) for i, midi in enumerate((64, 66, 67, 69))]
    pulse, slur = (voice.sounds(ear.stroke(*notes, accent=accent)) for notes in (pulsed, slurred))
    floor = float(np.median(ear.flux(pulse)[20 : int(0.9 * ear.rate / 128)]))
    for i in (1, 2, 3):
        attack = ear.flux_at(separate, i * each) - floor
        assert ear.flux_at(pulse, i * each) - floor < 0.15 * attack
        assert ear.flux_at(slur, i * each) - floor < 0.3 * attack


def test_a_pulse_is_still_felt(ear, voice) -> None:
    notes = [ear.note(i * 0.3, 0.3, 62, 0.0, 1) for i in range(3)]
    samples = voice.sounds(ear.stroke(*notes))
    for i in (1, 2):
        before, after = ear.cut(samples, i * 0.3 - 0.03, i * 0.3), ear.cut(samples, i * 0.3 + 0.03, i * 0.3 + 0.08)
        assert 1.5 < ear.db(after) - ear.db(before) < 6
        assert ear.db(after) > ear.db(ear.cut(samples, i * 0.3 + 0.2, i * 0.3 + 0.26)) + 0.7  # a surge, not a dip alone


def test_a_slurred_note_takes_over_at_once_without_a_gap(ear, voice) -> None:
    samples = voice.sounds(ear.stroke(ear.note(0, 0.4, 62, 0.0, 1), ear.note(0.4, 0.4, 66, 0.0, 1), accent=7))
    track = 12 * np.log2(ear.track(ear.cut(samples, 0, 0.8), 200, 600) / 440) + 69
    times = np.arange(len(track)) * 256 / ear.rate
    assert np.abs(track[(times > 0.1) & (times < 0.375)] - 62).max() < 0.1
    assert np.abs(track[(times > 0.43) & (times < 0.75)] - 66).max() < 0.1
    windows = [ear.db(ear.cut(samples, 0.38 + t, 0.4 + t)) for t in np.arange(0, 0.04, 0.005)]
    assert min(windows) > ear.db(ear.cut(samples, 0.1, 0.35)) - 5


def test_a_down_bow_starts_harder_and_brighter_than_an_up_bow(ear, voice) -> None:
    for accent, string in itertools.product((3, 6, 9), (0, 1)):
        down, up = (
            voice.sounds(ear.stroke(ear.note(0, 0.4, OPEN[string] + 2, string=string), bow=bow, accent=accent))
            for bow in "du"
        )
        assert ear.centroid(ear.cut(down, 0, 0.06)) > 1.02 * ear.centroid(ear.cut(up, 0, 0.06))
        assert ear.db(ear.cut(down, 0, 0.05)) > ear.db(ear.cut(up, 0, 0.05)) + 0.3
        # The level over the whole stroke is the same: a down-bow falls off, an up-bow grows.
        assert ear.db(ear.cut(down, 0.3, 0.4)) < ear.db(ear.cut(up, 0.3, 0.4))


def test_a_hard_accent_bites_and_a_soft_one_does_not(ear, voice) -> None:
    soft, middle, hard = (
        voice.sounds(ear.stroke(ear.note(0, 0.4, 62, string=1), accent=accent)) for accent in (1, 5, 9)
    )
    assert (
        ear.centroid(soft[: ear.rate // 3])
        < ear.centroid(middle[: ear.rate // 3])
        < ear.centroid(hard[: ear.rate // 3])
    )
    bite = [ear.db(ear.cut(s, 0.01, 0.05)) - ear.db(ear.cut(s, 0.2, 0.35)) for s in (soft, middle, hard)]
    assert bite[0] < bite[1] - 1 < bite[2] - 2
    high = signal.butter(4, 5000, "high", fs=ear.rate, output="sos")
    burst = [ear.db(signal.sosfilt(high, ear.cut(s, 0, 0.03))) for s in (soft, middle, hard)]
    assert burst[0] < burst[1] - 3 < burst[2] - 6  # noise of the bow at the start


def test_vibrato_is_for_long_melody_notes_under_a_finger_only(ear, voice) -> None:
    """About 5.5 Hz (common practice), setting in late; none on short notes, in the accompaniment or on an open string."""

    def wobble(seconds: float, midi: int, string: int | None, *, solo: bool) -> np.ndarray:
        samples = voice.sounds(ear.stroke(ear.note(0, seconds, midi, string=string), solo=solo, accent=5))
        pitch = ear.track(ear.cut(samples, 0, seconds), 200, 1000)[12:-8]
        return 1200 * np.log2(pitch / np.median(pitch))

    long = wobble(2.0, 71, 2, solo=True)
    assert 5 < np.percentile(long, 95) < 20
    spectrum = np.abs(np.fft.rfft((long - long.mean()) * np.hanning(len(long)), 1 << 14))
    assert np.fft.rfftfreq(1 << 14, 256 / ear.rate)[spectrum.argmax()] == pytest.approx(5.5, abs=0.4)
    assert np.abs(np.mean(long)) < 3  # about its pitch, not above it
    assert np.ptp(long[:12]) < 8 < np.ptp(long[-80:])  # delayed
    still = [wobble(2.0, 71, 2, solo=False), wobble(0.41, 71, 2, solo=True), wobble(2.0, 69, 2, solo=True)]
    for other in still:
        assert np.percentile(np.abs(other), 95) < 4
    assert (
        np.percentile(wobble(2.0, 69, None, solo=True), 95) > 5
    )  # nothing said: the fourth finger, not the open string


def test_vibrato_begins_at_a_stated_length(ear, voice, monkeypatch: pytest.MonkeyPatch) -> None:
    short, long = (ear.stroke(ear.note(0, seconds, 71, string=2), solo=True) for seconds in (0.41, 0.43))
    with_it = [voice.sounds(action) for action in (short, long)]
    monkeypatch.setattr(legato, "LONG", 99.0)
    without = [voice.sounds(action) for action in (short, long)]
    assert [np.array_equal(a, b) for a, b in zip(with_it, without, strict=True)] == [True, False]


def test_there_is_no_click_where_notes_pulses_and_strings_change(ear, voice) -> None:
    """Above 9 kHz nothing happens at a change that doesn't happen in the middle of a note."""
    roll = [(0, 0.25, 71, 2), (0.25, 0.04, 74, 2), (0.29, 0.12, 71, 2), (0.41, 0.03, 69, 2), (0.44, 0.2, 71, 2)]
    across = [(0, 0.25, 67, 1), (0.25, 0.2, 76, 3), (0.45, 0.2, 76, 3), (0.65, 0.2, 69, 2)]
    high = signal.butter(6, 9000, "high", fs=ear.rate, output="sos")
    for notes in (roll, across):
        samples = voice.sounds(ear.stroke(*(ear.note(a, s, m, string=g) for a, s, m, g in notes), solo=True, accent=6))
        band = np.abs(signal.sosfilt(high, samples.astype(float)))
        calm = max(ear.cut(band, a + 0.4 * s, a + 0.8 * s).max() for a, s, *_ in notes if s > 0.1)
        for at, *_ in notes[1:]:
            assert ear.cut(band, at - 0.012, at + 0.012).max() < 1.5 * calm


def test_long_strokes_swell(ear, voice) -> None:
    samples = voice.sounds(ear.stroke(ear.note(0, 2.0, 64, string=1), bow="", accent=4))
    ends = max(ear.db(ear.cut(samples, 0.15, 0.35)), ear.db(ear.cut(samples, 1.75, 1.95)))
    assert 1 < ear.db(ear.cut(samples, 0.9, 1.1)) - ends < 5


@pytest.mark.parametrize(("solo", "least", "most"), [(True, 3, 14), (False, 6, 26)])
def test_between_two_strokes_the_tone_dips_and_does_not_stop(ear, voice, solo: bool, least: float, most: float) -> None:
    """A melody is bowed smoothly; in backing up, strokes stand apart."""
    track = np.zeros(ear.rate, dtype=np.float32)
    for i in range(2):
        samples = voice.sounds(
            ear.stroke(ear.note(0, 0.4, 64, string=1), bow="du"[i], accent=6, joined=True, solo=solo)
        )
        start = round(0.4 * i * ear.rate)
        track[start : start + len(samples)] += samples[: ear.rate - start]
    windows = [ear.db(ear.cut(track, t, t + 0.012)) for t in np.arange(0.37, 0.43, 0.003)]
    assert least < ear.db(ear.cut(track, 0.2, 0.35)) - min(windows) < most


def test_two_strings_are_two_players_of_their_own(ear, voice) -> None:
    """A fifth of two fiddle strings beats; two strings that swung as one would not."""
    samples = voice.sounds(ear.stroke(ear.note(0, 4.0, 55, string=0), ear.note(0, 4.0, 62, string=1)))
    # Third partial of G3 and second of D4, in equal temperament 0.66 Hz apart.
    narrow = signal.butter(3, [560, 615], "bandpass", fs=ear.rate, output="sos")
    envelope = np.abs(signal.hilbert(signal.sosfiltfilt(narrow, ear.cut(samples, 0.3, 3.7))))[4000:-4000]
    assert envelope.max() > 1.5 * envelope.min()
    one = voice.sounds(ear.stroke(ear.note(0, 4.0, 55, string=0)))
    both = ear.db(ear.cut(samples, 0, 4.0))
    assert both == pytest.approx(ear.db(ear.cut(one, 0, 4.0)), abs=0.1)


def test_partials_fall_as_helmholtz_motion_says_once_the_body_is_taken_away(ear, voice) -> None:
    """The force of Helmholtz motion is a sawtooth: partial n goes as 1/n (euphonics.org, 9.2) up to the rounded corner."""
    player = voice._player("backup fiddle")
    samples = voice.sounds(ear.stroke(ear.note(0, 1.0, 55, string=0), accent=9))
    middle = ear.cut(samples, 0.3, 0.9)
    spectrum = np.abs(np.fft.rfft(middle * np.hanning(len(middle)), 1 << 17))
    heard, frequencies = [], librosa.midi_to_hz(55) * np.arange(2, 7)
    for frequency in frequencies:
        at = round(frequency * (1 << 17) / ear.rate)
        heard.append(spectrum[at - 30 : at + 30].max())
    force = np.array(heard) / player.body.gain(frequencies)
    slope = np.polyfit(np.log2(frequencies), 20 * np.log10(force), 1)[0]
    assert -10 < slope < -5  # -6 dB an octave, a little more for the corner


def test_the_body_has_a_bridge_hill_and_little_below_its_air_mode(voice) -> None:
    """A0 near 275 Hz, B1 modes 460 to 550 Hz, hill 2 to 3 kHz: euphonics.org, 5.3; Woodhouse 2005."""
    gain = voice._player("backup fiddle").body.gain

    def mean(low: float, high: float) -> float:
        return float(20 * np.log10(np.sqrt(np.mean(gain(np.linspace(low, high, 400)) ** 2))))

    assert mean(2000, 3000) > mean(1350, 1800) + 2
    assert mean(2000, 3000) > mean(5000, 7000) + 8
    assert mean(265, 290) > mean(150, 190) + 15
    assert max(mean(450, 475), mean(535, 565)) > mean(620, 660) + 6


def test_edges_are_smooth_and_there_is_no_dc(ear, voice) -> None:
    for joined, accent in itertools.product((False, True), (1, 9)):
        samples = voice.sounds(
            ear.stroke(ear.note(0, 0.3, 55, string=0), ear.note(0, 0.3, 62, string=1), accent=accent, joined=joined)
        )
        top = np.abs(samples).max()
        assert np.abs(samples[:3]).max() < 0.01 * top
        assert np.abs(samples[-40:]).max() < 0.002 * top
        assert abs(samples.mean()) < 1e-4 * top
        assert np.abs(samples[-40:]).max() > 0 or not samples[-1]
        assert np.isfinite(samples).all()


def test_an_open_string_rings_on_when_the_bow_is_lifted(ear, voice) -> None:
    left, stopped, turned = (
        voice.sounds(ear.stroke(ear.note(0, 0.3, midi, string=string), joined=joined))
        for midi, string, joined in ((62, 1, False), (62, 0, False), (62, 1, True))
    )
    rung = [ear.db(ear.cut(s, 0.35, 0.42)) for s in (left, stopped, turned)]
    assert rung[0] > rung[1] + 3 > rung[2] + 6


def test_an_ornament_is_lighter_than_a_note(ear, voice) -> None:
    note, grace = (
        voice.sounds(Action(Manner.BOW, (ear.note(0, 0.08, 74, string=2),), "d", 8, ornament=ornament))
        for ornament in (False, True)
    )
    assert ear.centroid(grace) < ear.centroid(note)
    high = signal.butter(4, 5000, "high", fs=ear.rate, output="sos")
    burst = [ear.db(signal.sosfilt(high, ear.cut(s, 0, 0.03))) for s in (note, grace)]
    assert burst[1] < burst[0] - 3


def test_a_chop_is_a_short_noise_without_a_pitch(ear, voice) -> None:
    notes = (ear.note(0, 0.2, 55, string=0), ear.note(0, 0.2, 64, string=1))
    chop = voice.sounds(Action(Manner.CHOP, notes, accent=7, program=40))
    stroke = voice.sounds(ear.stroke(*notes))
    assert ear.db(ear.cut(chop, 0, 0.05)) == pytest.approx(-20, abs=0.1)
    energy = np.cumsum(chop.astype(float) ** 2)
    assert np.searchsorted(energy, 0.9 * energy[-1]) < 0.05 * ear.rate  # nine tenths of it within 50 ms
    assert np.abs(chop[: int(0.008 * ear.rate)]).max() > 0.3 * np.abs(chop).max()  # and it starts at once

    assert ear.db(ear.cut(chop, 0.075, 0.095)) < ear.db(ear.cut(chop, 0, 0.03)) - 35  # the left hand lets nothing ring

    def flatness(samples: np.ndarray) -> float:
        return float(librosa.feature.spectral_flatness(y=samples[:4096], n_fft=4096, center=False)[0, 0])

    assert flatness(chop) > 20 * flatness(stroke)
    assert not np.array_equal(chop, voice.sounds(Action(Manner.CHOP, notes, accent=3, program=40)))


def test_a_stranger_hears_every_stroke_where_it_is(ear, voice) -> None:
    """Onset F-measure (mir_eval) within 30 ms, of librosa's onset detector set up as SuperFlux (Böck and Widmer 2013)."""
    rng = np.random.default_rng(4)
    starts = 0.1 + np.concatenate([[0.0], np.cumsum(rng.choice([0.18, 0.27, 0.36, 0.54], 47))])
    track = np.zeros(round((starts[-1] + 1) * ear.rate), dtype=np.float32)
    for i, (start, end) in enumerate(itertools.pairwise(starts)):
        accent, upper = int(rng.integers(5, 10)), int(rng.choice([62, 64, 66]))
        notes = (ear.note(0, end - start, 55, string=0), ear.note(0, end - start, upper, string=1))
        samples = voice.sounds(ear.stroke(*notes, bow="du"[i % 2], accent=accent, joined=True))
        at = round(start * ear.rate)
        track[at : at + len(samples)] += samples * 10 ** ((accent - 9) / 10)
    hop = 128
    mel = librosa.feature.melspectrogram(
        y=track, sr=ear.rate, n_fft=1024, hop_length=hop, n_mels=138, fmin=27, fmax=16_000
    )
    strength = librosa.onset.onset_strength(
        S=librosa.power_to_db(mel, amin=1e-9), sr=ear.rate, hop_length=hop, lag=4, max_size=3, center=False
    )
    strength = np.roll(strength / np.percentile(strength, 99), -2)  # half the lag
    found = librosa.onset.onset_detect(
        onset_envelope=strength, sr=ear.rate, hop_length=hop, units="time", delta=0.12, normalize=False
    )
    score, _, _ = mir_eval.onset.f_measure(starts[:-1], found, window=0.03)
    assert score >= 0.98
