"""A recording of the tune itself: laid on its bars, whichever way it was played, or refused with a reason."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import soundfile
import soxr

from underbow.ear.melody.align import align
from underbow.ear.melody.doubts import flaws
from underbow.ear.melody.heard import Alignment
from underbow.ear.melody.route import HOP
from underbow.ear.melody.salience import salience
from underbow.ear.recording import read_recording
from underbow.ear.spectra import RATE
from underbow.errors import InputError
from underbow.tune.abc.reader import read_abc
from underbow.tune.tune import Tune
from underbow.tune.written_out import write_out

OTHER = "X:1\nT:Another\nM:4/4\nL:1/8\nK:G\n|:G4 e4|c2e2 g4|B2B2 c2A2|G8:|\n"


@pytest.fixture(scope="module")
def tune(churn: str) -> Tune:
    return read_abc(churn)[0]


def heard(tune: Tune, take: object, folder: Path, **more: object) -> Alignment:
    path = folder / "take.wav"
    soundfile.write(path, take.sound, 44_100)  # type: ignore[attr-defined]
    return align(read_recording(path, folder), write_out(tune), 100, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(("way", "pitch"), [("as written", 446.0), ("once", 436.0)])
def test_a_rendition_is_laid_on_the_bars_that_were_played(
    simulate: ModuleType, tune: Tune, way: str, pitch: float, tmp_path: Path
) -> None:
    melody = simulate.arranged(tune, simulate.ways(tune)[way])
    conditions = simulate.Conditions(pitch=pitch, spoken=way == "once", slips=0.0)
    take = simulate.play(melody, 110, conditions, seed=7)
    found = heard(tune, take, tmp_path)
    assert [bar.number for bar in found.bars] == [number for _, number, _ in take.lines]
    assert found.pitch == pytest.approx(pitch, abs=0.6)  # 2.4 cents
    off = [abs(bar.start - second) for bar, (second, *_) in zip(found.bars, take.lines, strict=True) if bar.number]
    # the line as played is a clock's, the first note of a bar up to 30 ms beside it
    assert np.median(off) < 0.03
    truth = np.array([second for second, *_ in take.onsets])
    errors = np.array([np.abs(truth - note.seconds).min() for note in found.notes])
    assert np.quantile(errors, 0.9) < 0.012


PICKED_UP = """X:1
M:4/4
L:1/8
K:D
|:FG|A2FA d2cd|edcB A2FG|A2FA B2GB|AGFE D2:|
|:fe|d2fd e2ce|dcBA G2Bd|cBAG F2EF|GFED D2:|
"""


def test_a_part_played_once_is_begun_with_the_tune_and_not_with_its_repeat(
    simulate: ModuleType, tmp_path: Path
) -> None:
    picked_up = read_abc(PICKED_UP)[0]
    melody = simulate.arranged(picked_up, simulate.ways(picked_up)["once"])
    take = simulate.play(melody, 120, replace(simulate.STEADY, before=0.5), seed=2)
    found = heard(picked_up, take, tmp_path)
    assert [bar.number for bar in found.bars][:3] == [0, 1, 2]
    assert found.bars[0].start == pytest.approx(take.onsets[0][0], abs=0.03)
    assert found.notes[0].index == 0


def test_a_note_may_be_held_through_a_whole_bar(simulate: ModuleType, tmp_path: Path) -> None:
    holding = read_abc("X:1\nM:4/4\nL:1/8\nK:G\nG2B2 d2g2|f2e2 d4-|d8|c2A2 F2D2|G8|\n")[0]
    found = heard(holding, simulate.play(write_out(holding), 140, simulate.STEADY, seed=2), tmp_path)
    assert [(bar.number, bar.doubts) for bar in found.bars] == [(number, ()) for number in (1, 2, 3, 4, 5)]


def test_notes_on_one_pitch_are_placed_where_the_bow_turns(simulate: ModuleType, tmp_path: Path) -> None:
    bowed = read_abc("X:1\nM:4/4\nL:1/8\nK:D\nAAAA B2BB|ddfd e4|dddd A2AA|BBAA d4|\n")[0]
    take = simulate.play(write_out(bowed), 130, replace(simulate.Conditions(), ornaments=0.0, slips=0.0), seed=7)
    found = heard(bowed, take, tmp_path)
    assert [one.index for one in found.notes] == [index for *_, index in take.onsets]
    off = np.abs(np.array([one.seconds for one in found.notes]) - np.array([second for second, *_ in take.onsets]))
    assert np.quantile(off, 0.9) < 0.01


def test_notes_out_of_the_quiet_are_not_placed_too_soon(simulate: ModuleType, tmp_path: Path) -> None:
    broken = read_abc("X:1\nM:4/4\nL:1/8\nK:D\nA2z2 d2z2|f2z2 e2z2|B2z2 g2z2|e2z2 d4|\n")[0]
    way = replace(simulate.Conditions(), ornaments=0.0, slips=0.0, slurs=0.0)
    take = simulate.play(write_out(broken), 120, way, seed=5)
    found = heard(broken, take, tmp_path)
    off = np.array([one.seconds for one in found.notes]) - np.array([second for second, *_ in take.onsets])
    assert np.abs(off).max() < 0.006


def test_a_bar_line_moved_by_hand_stays_where_it_was_put(simulate: ModuleType, tune: Tune, tmp_path: Path) -> None:
    take = simulate.play(write_out(tune), 110, replace(simulate.STEADY), seed=3)
    second = next(second for second, number, time in take.lines if (number, time) == (3, 1)) + 0.08
    found = heard(tune, take, tmp_path, fixed={(3, 1): second})
    assert next(bar.start for bar in found.bars if (bar.number, bar.time) == (3, 1)) == pytest.approx(second)
    assert [bar.number for bar in found.bars] == [number for _, number, _ in take.lines]
    with pytest.raises(InputError, match=r"the recording has bar 3 2 times, not 5; take \"3.5\" out"):
        heard(tune, take, tmp_path, fixed={(3, 5): 4.0})


def test_notes_that_are_not_as_written_are_told_by_bar(simulate: ModuleType, tune: Tune, tmp_path: Path) -> None:
    melody = write_out(tune)
    notes = list(melody.notes)
    bar = melody.bars[2]
    at = next(i for i, note in enumerate(notes) if note.start == bar.start + 2)
    notes[at] = replace(notes[at], pitch=type(notes[at].pitch).parse("G5"))
    take = simulate.play(replace(melody, notes=tuple(notes)), 100, simulate.STEADY, seed=1)
    found = heard(tune, take, tmp_path)
    doubted = {(bar.number, bar.time): bar.doubts for bar in found.bars if bar.doubts}
    assert doubted == {(bar.number, bar.time): (f"G where the tune has {melody.notes[at].pitch.pitch_class}",)}


def test_recordings_that_are_no_good_are_refused_each_with_its_line(
    simulate: ModuleType, tune: Tune, tmp_path: Path
) -> None:
    rng = np.random.default_rng(5)
    other = simulate.play(write_out(read_abc(OTHER)[0]), 110, simulate.STEADY, seed=2)
    clipped = simulate.play(write_out(tune), 110, simulate.STEADY, seed=2)
    higher = simulate.play(write_out(tune), 110, replace(simulate.STEADY, pitch=440 * 2 ** (2 / 12)), seed=2)
    cases = {
        "next to no sound": np.zeros(200_000, np.float32),
        "too loud and is distorted": np.clip(8 * clipped.sound, -0.9, 0.9),
        "only speech or noise": simulate.speech(8.0, rng).astype(np.float32) * 0.1,
        "it isn't this tune: only": other.sound,
        "it is this tune, but 2 semitones higher": higher.sound,
    }
    for words, sound in cases.items():
        with pytest.raises(InputError, match=words):
            heard(tune, replace(other, sound=sound), tmp_path)


def test_what_is_wrong_with_the_sound_is_told_though_it_can_be_used(
    simulate: ModuleType, tune: Tune, tmp_path: Path
) -> None:
    take = simulate.play(write_out(tune), 110, simulate.STEADY, seed=2)
    phone = soxr.resample(soxr.resample(take.sound, 44_100, 8000), 8000, 44_100)
    assert heard(tune, take, tmp_path).told == ()
    (line,) = heard(tune, replace(take, sound=phone), tmp_path).told
    assert "nothing above 4 kHz" in line
    two = take.sound.copy()
    two[: len(two) - 35_000] += take.sound[35_000:]
    with_both = soxr.resample(two, 44_100, RATE).astype(np.float32)
    clear, level = salience(with_both, HOP, 2048, 440.0)
    assert "more than one instrument" in " ".join(flaws(with_both, clear, level))
