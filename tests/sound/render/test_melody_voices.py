"""Every instrument that may play the melody sounds, in tune, with both kinds of voices; by the partials in their spectra."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import librosa
import numpy as np
import pytest

from underbow.sound.choose import choose_voice
from underbow.sound.stems import Stems
from underbow.sound.voice.voices import Remembered
from underbow.track.instruments import MELODY_VOICES
from underbow.track.sequencer import perform
from underbow.track.sheet.read import build_sheet

RATE = 44_100
TUNE = "X:1\nT:Up and down\nM:4/4\nL:1/4\nK:D\n" + '"D"A2 f2 | "D"d4 |]\n'
LONG = {
    "A4": (0.1, 0.9),
    "F#5": (1.1, 1.9),
    "D5": (2.1, 3.9),
}  # seconds in which each note sounds, at two quarters a second


@pytest.fixture(params=["builtin", "soundfont"])
def voices(request: pytest.FixtureRequest) -> str:
    if request.param == "soundfont":
        request.getfixturevalue("fluidsynth_library")
    return str(request.param)


@pytest.mark.parametrize("name", MELODY_VOICES)
def test_each_instrument_plays_the_notes(name: str, voices: str) -> None:
    played = perform(
        build_sheet(
            {
                "abc": TUNE,
                "pattern": "saw",
                "sound": {"voice": name, "feel_ms": 0},
                "tempo": {"start": 120, "goal": 120, "passes": 1, "ramp": "steady", "count_in": 0},
            }
        )
    )
    bank = (
        next(iter(Path(str(find_spec("pretty_midi").origin)).parent.glob("*.sf2"))) if voices == "soundfont" else None
    )
    stems = Stems(played, Remembered(choose_voice(played, voices, soundfont=bank).voice), ["melody"])
    sound = np.concatenate(list(stems.blocks()), axis=1)[0].astype(np.float64)
    assert np.isfinite(sound).all()
    assert np.abs(sound).max() > 0.01
    if (name, voices) == ("accordion", "soundfont"):
        return  # this bank's own accordion is half a semitone flat from about E5 on, whoever plays it
    for note, (begin, end) in LONG.items():
        stretch = sound[int(begin * RATE) : int(end * RATE)]
        power = np.abs(np.fft.rfft(stretch * np.hanning(len(stretch)))) ** 2
        hertz = np.maximum(np.fft.rfftfreq(len(stretch), 1 / RATE), 1.0)
        strengths = [harmonics(power, hertz, librosa.midi_to_hz(midi)) for midi in range(67, 80)]
        assert 67 + int(np.argmax(strengths)) == librosa.note_to_midi(note), (note, np.round(strengths, 2))


def harmonics(power: np.ndarray, hertz: np.ndarray, low: float) -> float:
    """Add up what lies within a third of a semitone of a tone's first eight partials."""
    return float(sum(power[np.abs(12 * np.log2(hertz / (low * k))) < 1 / 3].sum() for k in range(1, 9)))
