"""Where the bow turns, on sounds whose turns are known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from underbow.ear.expected import ExpectedStroke, expected_strokes
from underbow.ear.listen import listen
from underbow.ear.pitch import hertz
from underbow.ear.place import Place
from underbow.ear.presence import Hearing
from underbow.ear.spectra import HOP, RATE, Floats
from underbow.ear.strokes import HeardStroke
from underbow.ear.turns import PLAIN, bow_turns, breaks
from underbow.track.performance import Performance
from underbow.track.sheet.model import Sheet

from .conftest import simulation

SECONDS = np.arange(2 * RATE) / RATE
FRAMES = round(0.4 * RATE / HOP)


def bowed(pitch: float, phase: float = 0.0, vibrato: float = 0.0) -> Floats:
    """Eight partials, each half as strong as the one below it; vibrato in cents either way, 5.5 a second."""
    turns = pitch * np.cumsum(2 ** (vibrato / 1200 * np.sin(2 * np.pi * 5.5 * SECONDS))) / RATE
    return sum(0.5**k * np.sin(2 * np.pi * k * turns + phase * k) for k in range(1, 9)).astype(np.float32)


@pytest.mark.parametrize("vibrato", [0.0, 15.0])
def test_a_note_that_is_held_on_does_not_break(vibrato: float) -> None:
    assert breaks(bowed(440.0, vibrato=vibrato), RATE, FRAMES, [440.0]).max() < 0.4


def test_a_note_begun_anew_as_loud_as_before_breaks_there() -> None:
    again = np.where(SECONDS < 1.0, bowed(440.0), bowed(440.0, phase=2.0)).astype(np.float32)
    curve = breaks(again, RATE, FRAMES, [440.0])
    assert curve.max() > 0.7
    assert abs(int(curve.argmax()) - FRAMES) * HOP / RATE < 0.015
    assert np.median(curve) < 0.05


def test_noise_breaks_all_the_time_and_so_nowhere_plainly() -> None:
    noise = np.random.default_rng(0).normal(0, 0.1, 2 * RATE).astype(np.float32)
    curve = breaks(noise, RATE, FRAMES, [440.0])
    assert curve.max() - np.median(curve) < PLAIN


def in_a_row(strokes: list[ExpectedStroke], starts: list[float]) -> Floats:
    """Each stroke's hand from its start to the next one's, every note with a phase of its own, joined within 10 ms."""
    rng = np.random.default_rng(4)
    out = np.zeros(round((starts[-1] + 1.0) * RATE), np.float32)
    for stroke, begin, end in zip(strokes, starts, [*starts[1:], starts[-1] + 0.8], strict=True):
        seconds = np.arange(round((end - begin + 0.01) * RATE)) / RATE
        joined = np.minimum(np.minimum(seconds, seconds[::-1]) / 0.01, 1)
        for _, midi in stroke.hand:
            turns = hertz(midi, 440.0) * seconds
            for k in range(1, 9):
                partial = 0.5**k * joined * np.sin(2 * np.pi * (k * turns + rng.uniform()))
                first = round(begin * RATE)
                out[first : first + len(partial)] += partial.astype(np.float32)[: len(out) - first]
    return out


def test_a_change_that_always_comes_late_is_still_late(performance: Performance) -> None:
    strokes = list(expected_strokes(performance))[:40]
    late = [
        0.06 if before.hand != stroke.hand else 0.0
        for before, stroke in zip([strokes[0], *strokes], strokes, strict=False)
    ]
    assert 0 < sum(delay > 0 for delay in late) < 20
    played = [stroke.start + delay for stroke, delay in zip(strokes, late, strict=True)]
    hearing = Hearing(in_a_row(strokes, played), None, Place(0.0, 1.0, 1.0, leak=False), 440.0)
    # found by their loudness 20 ms off
    rough = [HeardStroke(second + 0.02 * (-1) ** i, 1.0) for i, second in enumerate(played)]
    turns = bow_turns(hearing, strokes, rough)
    off = [turn.seconds - second for turn, second in zip(turns, played, strict=True) if turn is not None]
    assert len(off) == len(strokes)
    assert np.abs(off[1:]).max() < 0.008  # the first breaks nothing off
    plain = [turn is not None and turn.stands > PLAIN for turn in turns]
    assert np.mean(plain) >= 0.9  # a few begin by chance as the one before would have gone on


def test_strokes_left_out_are_found_whether_the_bow_rests_or_goes_on(
    performance: Performance, sheet: Sheet, fluidsynth_library: str, tmp_path: Path
) -> None:
    simulate = simulation()
    conditions = replace(simulate.ROOM, dropped=0.15)
    take = simulate.make_take(performance, sheet.mixes[0], conditions, 9, learner="soundfont", leak="soundfont")
    path = tmp_path / "take.flac"
    soundfile.write(path, take.sound, simulate.RATE)
    heard = listen(path, performance, sheet.mixes[0], voices="soundfont")
    left_out = {i for i, second in enumerate(take.heard) if second is None}
    said = {i for i, stroke in enumerate(heard.strokes) if stroke.missing}
    assert len(left_out) >= 5
    assert said <= left_out
    assert len(said) >= 0.8 * len(left_out)
