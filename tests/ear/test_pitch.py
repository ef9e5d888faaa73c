"""Cents: the published definition, and sines whose pitch is known."""

from __future__ import annotations

import numpy as np
import pytest

from underbow.ear.expected import ExpectedNote
from underbow.ear.pitch import cents, hertz, stroke_cents
from underbow.ear.spectra import RATE


def test_a_semitone_is_a_hundred_cents_and_a_pure_fifth_702() -> None:
    # Ellis 1885: 1200 log2 of the ratio; A = 440 Hz is ISO 16:1975's.
    assert hertz(69, 440.0) == 440.0
    assert cents(hertz(70, 440.0), 440.0) == pytest.approx(100)
    assert cents(3.0, 2.0) == pytest.approx(701.955, abs=1e-3)


def tone(frequency: float, seconds: float = 0.5) -> np.ndarray:
    time = np.arange(int(seconds * RATE)) / RATE
    return sum(np.sin(2 * np.pi * k * frequency * time + k) / k for k in range(1, 9)).astype(np.float32)


@pytest.mark.parametrize(("low", "high"), [(60, 64), (55, 62), (57, 64), (62, 66)])
@pytest.mark.parametrize("off", [(-17.0, 8.0), (0.0, 0.0), (12.0, 25.0)])
def test_both_notes_of_a_double_stop_are_measured(low: int, high: int, off: tuple[float, float]) -> None:
    sound = sum(tone(hertz(midi + by / 100, 440.0)) for midi, by in zip((low, high), off, strict=True))
    notes = [ExpectedNote(0, low, 0.0, 0.5), ExpectedNote(1, high, 0.0, 0.5)]
    found = [heard.cents for heard in stroke_cents(np.asarray(sound), 0.0, 0.5, notes, 440.0)]
    assert found == [pytest.approx(off[0], abs=1.0), pytest.approx(off[1], abs=1.0)]


def test_the_upper_note_of_an_octave_is_not_judged() -> None:
    sound = tone(hertz(57, 440.0)) + tone(hertz(69, 440.0))
    notes = [ExpectedNote(0, 57, 0.0, 0.5), ExpectedNote(1, 69, 0.0, 0.5)]
    low, high = (heard.cents for heard in stroke_cents(sound, 0.0, 0.5, notes, 440.0))
    assert low == pytest.approx(0, abs=1)
    assert high is None


@pytest.mark.parametrize("turn", [0.0, 1.5, 3.0, 4.5])
def test_a_vibrato_is_heard_at_its_mean(turn: float) -> None:
    # Shonle and Horan 1980, "The pitch of vibrato tones", as table 1 of Brown and Vaughn, JASA 100 (1996), gives it;
    # here 5.5 Hz, 15 cents either way
    time = np.arange(int(0.6 * RATE)) / RATE
    frequency = hertz(60, 440.0) * 2 ** (15 * np.sin(2 * np.pi * 5.5 * time + turn) / 1200)
    phase = 2 * np.pi * np.cumsum(frequency) / RATE
    sound = sum(np.sin(k * phase + k) / k for k in range(1, 9)).astype(np.float32)
    found = stroke_cents(sound, 0.0, 0.6, [ExpectedNote(0, 60, 0.0, 0.6)], 440.0)[0].cents
    assert found == pytest.approx(0, abs=4)


def test_a_partial_of_the_other_note_is_not_taken_for_ones_own() -> None:
    # the eleventh partial of a D lies 52 cents from the sixteenth of the G below it
    sound = tone(hertz(55, 440.0)) + 0.02 * tone(hertz(62, 440.0))
    time = np.arange(len(sound)) / RATE
    sound = sound + sum(np.sin(2 * np.pi * k * hertz(55, 440.0) * time) / 9 for k in range(9, 24)).astype(np.float32)
    notes = [ExpectedNote(0, 55, 0.0, 0.5), ExpectedNote(1, 62, 0.0, 0.5)]
    low, high = (heard.cents for heard in stroke_cents(sound, 0.0, 0.5, notes, 440.0))
    assert low == pytest.approx(0, abs=1)
    assert high is None or high == pytest.approx(0, abs=5)


def test_a_short_stroke_is_not_judged() -> None:
    note = ExpectedNote(0, 60, 0.0, 0.12)
    assert stroke_cents(tone(hertz(60, 440.0)), 0.0, 0.12, [note], 440.0)[0].cents is None
