"""The SoundFont voice: in tune, at its level, to the sample, the same every time.

Sources: pitches by ISO 16 and 12-tone equal temperament; accent steps of 2 dB by the project's own accent grids.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import librosa
import numpy as np
import pytest

from underbow.sound.soundfont.banks import Bank
from underbow.sound.soundfont.voice import SoundFontVoice
from underbow.sound.synth.builtin import BuiltinVoice
from underbow.sound.voice.voices import Action, ActionNote
from underbow.track.performance import Manner

from .. import libebur128

RATE = 44_100
QUARTER = RATE // 4


def bow(*midis: int, frames: int = 2 * QUARTER, accent: int = 9, **more: object) -> Action:
    notes = tuple(ActionNote(0, frames, midi, 0.0, string) for string, midi in enumerate(midis))
    return Action(Manner.BOW, notes, accent=accent, program=40, **more)  # type: ignore[arg-type]


def level(samples: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(np.square(samples, dtype=np.float64))))


@pytest.fixture(scope="module")
def voice(banks: tuple[Bank, ...]) -> Iterator[SoundFontVoice]:
    with SoundFontVoice(banks[0], RATE) as made:
        yield made


@pytest.mark.parametrize("concert_pitch", [440.0, 442.0, 415.0])
@pytest.mark.parametrize(
    ("manner", "program"), [(Manner.BOW, 40), (Manner.BOW, 110), (Manner.PLUCK, 25), (Manner.TONE, 73)]
)
def test_open_and_stopped_notes_are_within_five_cents(
    banks: tuple[Bank, ...], concert_pitch: float, manner: Manner, program: int
) -> None:
    """ISO 16 and 12-tone equal temperament, though the banks' own samples are up to 13 cents off."""
    for bank in banks:
        with SoundFontVoice(bank, RATE, concert_pitch) as voice:
            for midi in (55, 57, 59, 60, 62, 64, 66, 67, 69, 71, 74, 76, 79):
                note = Action(manner, (ActionNote(0, 2 * RATE, midi),), program=program)
                samples = voice.sounds(note)[RATE // 10 : RATE * 3 // 2]
                spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), 1 << 19)) ** 2
                wanted = concert_pitch * 2 ** ((midi - 69) / 12)
                bins = np.arange(int(wanted * 0.98 * 2**19 / RATE), int(wanted * 1.02 * 2**19 / RATE))
                heard = (bins * spectrum[bins]).sum() / spectrum[bins].sum() * RATE / 2**19
                assert abs(1200 * np.log2(heard / wanted)) < 5, (bank.path.name, midi)


@pytest.mark.parametrize(
    ("manner", "program", "keys"),
    [(Manner.BOW, 40, range(55, 89)), (Manner.BOW, 110, range(55, 77)), (Manner.TONE, 74, range(72, 87, 2))],
)
def test_each_key_is_in_tune_as_short_as_it_is_played(
    ear: Any, banks: tuple[Bank, ...], manner: Manner, program: int, keys: range
) -> None:
    """A quarter of a second by librosa's YIN, from where the tone stands: median within 5 cents, FluidR3's A5 was 31 flat."""
    for bank in banks:
        with SoundFontVoice(bank, RATE) as voice:
            for midi in keys:
                note = Action(manner, (ActionNote(0, RATE // 4, midi),), bow="d", program=program)
                wanted = 440 * 2 ** ((midi - 69) / 12)
                track = ear.track(voice.sounds(note)[: RATE // 4], wanted / 1.3, wanted * 1.3)[6:-6]
                assert abs(1200 * np.log2(np.median(track) / wanted)) < 5, (bank.path.name, midi)


def test_tuning_notes_stand_still(ear: Any, banks: tuple[Bank, ...]) -> None:
    """Every 0.4 s of a tuning note, as a tuner shows it, is within 3 cents of its pitch; FluidR3's swung by 16."""
    for bank in banks:
        with SoundFontVoice(bank, RATE) as voice:
            for midi in (55, 62, 69, 76):
                samples = voice.sounds(Action(Manner.BOW, (ActionNote(0, 3 * RATE, midi),), bow="d", program=40))
                for start in np.arange(0.2, 2.6, 0.4):
                    cut = samples[round(start * RATE) : round((start + 0.4) * RATE)]
                    assert abs(ear.cents(cut, midi)) < 3, (bank.path.name, midi, start)


@libebur128.needed
def test_the_click_is_as_loud_as_the_built_in_one(banks: tuple[Bank, ...]) -> None:
    """Integrated loudness by libebur128 of a click every half second: within 1 LU of the built-in wood block."""
    for midi in (76, 77):
        click = Action(Manner.CLICK, (ActionNote(0, RATE // 10, midi),), accent=9)
        found = []
        for voice in (BuiltinVoice(RATE), *(SoundFontVoice(bank, RATE) for bank in banks)):
            sound = np.zeros(10 * RATE, np.float32)
            for at in range(0, len(sound) - RATE, RATE // 2):
                samples = voice.sounds(click)
                sound[at : at + len(samples)] += samples
            found.append(libebur128.integrated(np.stack([sound, sound], axis=1), RATE))
        assert max(abs(loudness - found[0]) for loudness in found) < 1


def test_accents_are_two_decibels_a_step_and_all_pitches_equal(voice: SoundFontVoice) -> None:
    for accent in range(1, 10):
        for midis in ((55,), (62,), (55, 64), (76,)):
            action = bow(*midis, accent=accent)
            assert level(voice.sounds(action)[: action.frames]) == pytest.approx(-20.0, abs=0.5)


def test_a_click_begins_at_its_first_frames(voice: SoundFontVoice) -> None:
    for midi in (76, 77):
        samples = voice.sounds(Action(Manner.CLICK, (ActionNote(0, 4410, midi),), program=-1))
        assert np.argmax(np.abs(samples) > 0.1 * np.abs(samples).max()) < 64


def test_the_same_action_gives_the_same_samples_whatever_was_sounded_before(banks: tuple[Bank, ...]) -> None:
    actions = [bow(55, 62), bow(69, frames=RATE), bow(69, frames=3 * RATE), bow(76, accent=3, bow="u")]
    with SoundFontVoice(banks[0], RATE) as one, SoundFontVoice(banks[0], RATE) as other:
        forth = [one.sounds(action) for action in actions]
        back = [other.sounds(action) for action in reversed(actions)]
    for first, second in zip(forth, reversed(back), strict=True):
        assert np.array_equal(first, second)


def test_a_slurred_pulse_brings_no_new_attack(voice: SoundFontVoice) -> None:
    """Spectral flux at the boundary: less than half of that of two separate strokes."""

    def flux(samples: np.ndarray) -> float:
        strength = librosa.onset.onset_strength(y=samples, sr=RATE, hop_length=128, n_fft=1024)
        return float(strength[QUARTER // 128 - 8 : QUARTER // 128 + 16].max())

    stroke = bow(55, 62, frames=QUARTER, joined=True, accent=7, bow="d")
    first, second = voice.sounds(stroke), voice.sounds(bow(55, 62, frames=QUARTER, accent=7, bow="u"))
    separate = np.zeros(QUARTER + len(second), np.float32)
    separate[: len(first)] += first[: len(separate)]
    separate[QUARTER:] += second
    notes = tuple(ActionNote(at, QUARTER, midi, 0.0, i) for at in (0, QUARTER) for i, midi in enumerate((55, 62)))
    pulsed = voice.sounds(Action(Manner.BOW, notes, accent=7, program=40))
    slurred = voice.sounds(
        Action(Manner.BOW, (ActionNote(0, QUARTER, 69, 0, 2), ActionNote(QUARTER, QUARTER, 71, 0, 2)), program=40)
    )
    assert flux(pulsed) < 0.5 * flux(separate)
    assert flux(slurred) < flux(separate)
    dip = level(pulsed[QUARTER - 900 : QUARTER]) - level(pulsed[QUARTER // 2 : QUARTER - 3000])
    assert -6 < dip < -1  # yet it is felt


def test_every_sound_ends_in_silence_and_starts_without_a_click(voice: SoundFontVoice) -> None:
    for action in (bow(55, 62), bow(69, joined=True), Action(Manner.PLUCK, (ActionNote(0, 9000, 55),), program=25)):
        samples = voice.sounds(action)
        assert np.abs(samples[-20:]).max() < 2e-4
        assert len(samples) > action.frames + RATE // 20
        assert np.abs(np.diff(samples[action.frames - 10 :])).max() < 0.05
