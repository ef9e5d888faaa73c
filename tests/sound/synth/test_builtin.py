"""What holds for every built-in voice: same bytes, any rate, no click, nothing folded back."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underbow.errors import InputError
from underbow.sound.synth.builtin import BuiltinVoice, instrument
from underbow.sound.voice.voices import Action, ActionNote, Voice
from underbow.track.performance import Manner

KINDS = [
    (Manner.BOW, 40, True),
    (Manner.BOW, 110, False),
    (Manner.CHOP, 110, False),
    (Manner.PLUCK, 25, False),
    (Manner.PLUCK, 15, True),
    (Manner.PLUCK, 105, True),
    (Manner.PLUCK, 0, True),
    (Manner.TONE, 73, True),
    (Manner.TONE, 22, True),
    (Manner.TONE, 80, True),
    (Manner.TONE, 109, False),
    (Manner.CLICK, -1, False),
]


def simple(manner: Manner, program: int, rate: int, *, solo: bool, midi: int = 69, seconds: float = 0.25) -> Action:
    return Action(manner, (ActionNote(0, int(seconds * rate), midi),), bow="d", solo=solo, program=program)


def digest(rate: int) -> str:
    voice, whole = BuiltinVoice(rate), hashlib.sha256()
    for manner, program, solo in KINDS:
        whole.update(voice.sounds(simple(manner, program, rate, solo=solo)).tobytes())
    return whole.hexdigest()


def test_every_kind_has_its_own_instrument() -> None:
    names = [instrument(simple(manner, program, 44_100, solo=solo)) for manner, program, solo in KINDS]
    assert len(set(names) - {"backup fiddle"}) == len(KINDS) - 2  # the chop is the backup fiddle's
    voice: Voice = BuiltinVoice(44_100)
    assert voice.name == "builtin"


def test_the_same_action_gives_the_same_bytes_in_another_process_and_another_order() -> None:
    script = (
        "import hashlib\n"
        "from underbow.sound.synth.builtin import BuiltinVoice\n"
        "from underbow.sound.voice.voices import Action, ActionNote\n"
        "from underbow.track.performance import Manner\n"
        f"kinds = {[(str(m), p, s) for m, p, s in KINDS]!r}\n"
        "voice, sounds = BuiltinVoice(44100), {}\n"
        "for m, p, s in reversed(kinds):\n"
        "    sounds[m, p, s] = voice.sounds(Action(Manner(m), (ActionNote(0, 11025, 69),), bow='d', solo=s, program=p))\n"
        "whole = hashlib.sha256()\n"
        "for kind in kinds:\n"
        "    whole.update(sounds[tuple(kind)].tobytes())\n"
        "print(whole.hexdigest())\n"
    )
    for seed in ("1", "77"):
        found = subprocess.run(
            [sys.executable, "-c", script],
            capture_output=True,
            text=True,
            check=True,
            env={**os.environ, "PYTHONHASHSEED": seed},
        )
        assert found.stdout.strip() == digest(44_100)


def test_different_actions_have_different_noise() -> None:
    voice = BuiltinVoice(44_100)
    one, other = (voice.sounds(simple(Manner.CHOP, 110, 44_100, solo=False, midi=midi)) for midi in (60, 61))
    assert abs(np.corrcoef(one[:2000], other[:2000])[0, 1]) < 0.5


@pytest.mark.parametrize(("manner", "program", "solo"), KINDS)
def test_every_rate_gives_the_same_sound(ear, manner: Manner, program: int, solo: bool) -> None:
    levels = []
    for rate in (22_050, 44_100, 48_000, 96_000):
        samples = BuiltinVoice(rate).sounds(simple(manner, program, rate, solo=solo))
        assert samples.dtype == np.float32
        assert np.isfinite(samples).all()
        levels.append(ear.db(samples[: rate // 10]))
    assert np.ptp(levels) < (3.0 if manner is Manner.CLICK else 1.5)


@pytest.mark.parametrize("rate", [0, 8000, 22_049, 96_001])
def test_other_rates_are_refused(rate: int) -> None:
    with pytest.raises(InputError, match="expected 22050 to 96000"):
        BuiltinVoice(rate)


@pytest.mark.parametrize(("program", "rate"), [(80, 44_100), (22, 44_100), (22, 22_050)])
def test_nothing_is_folded_back(program: int, rate: int) -> None:
    """A high note whose partials reach the ceiling: what lies between partials is far below the note."""
    midi, seconds = 93, 1.0
    samples = BuiltinVoice(rate).sounds(
        Action(Manner.TONE, (ActionNote(0, int(seconds * rate), midi),), accent=5, program=program)
    )
    middle = samples[rate // 5 : rate * 9 // 10].astype(float)
    power = np.abs(np.fft.rfft(middle * np.blackman(len(middle)))) ** 2
    frequencies = np.fft.rfftfreq(len(middle), 1 / rate)
    order = frequencies / (440 * 2 ** ((midi - 69) / 12))
    between = (np.abs(order - np.round(order)) > 0.1) & (frequencies > 300)
    assert 10 * np.log10(power[between].max() / power.max()) < (-80 if program == 80 else -60)


PITCHES = st.integers(48, 96)
STRINGS = st.sampled_from([None, 0, 1, 2, 3])


@st.composite
def actions(draw: st.DrawFn) -> Action:
    """Anything that a part may ask for: pulses, slurs, gaps, double stops, graces, very short and rather long."""
    manner, program, solo = draw(st.sampled_from(KINDS))
    notes: list[ActionNote] = []
    at = 0
    for _ in range(draw(st.integers(1, 5))):
        frames = draw(st.integers(1, 7350))
        short = max(frames - draw(st.sampled_from([0, 0, frames // 3])), 1)
        pitches = sorted(draw(st.lists(PITCHES, min_size=1, max_size=3, unique=True)))
        level = -1.0 * draw(st.integers(0, 12))
        notes += [ActionNote(at, short, midi, level, draw(STRINGS)) for midi in pitches]
        at += frames + draw(st.sampled_from([0, 0, 500]))
    return Action(
        manner,
        tuple(notes),
        bow=draw(st.sampled_from(["d", "u", ""])),
        accent=draw(st.integers(1, 9)),
        joined=draw(st.booleans()),
        solo=solo,
        ornament=draw(st.booleans()),
        program=program,
    )


VOICE = BuiltinVoice(22_050)


@settings(max_examples=150, deadline=None)
@given(actions())
def test_whatever_is_asked_for_sounds_ends_and_stays_in_bounds(action: Action) -> None:
    samples = VOICE.sounds(action)
    assert samples.dtype == np.float32
    assert samples.ndim == 1
    assert np.isfinite(samples).all()
    assert np.abs(samples).max() < 4.0
    assert np.abs(samples[-1]) < 0.003
    if action.manner is not Manner.CLICK and action.manner is not Manner.CHOP:
        assert len(samples) >= action.frames
    assert np.array_equal(samples, VOICE.sounds(action))
