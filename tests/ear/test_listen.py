"""A take from the file to the verdict, judged by mir_eval where it can be."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np
import pytest
import soundfile

from underbow.ear.listen import listen
from underbow.ear.report import Heard
from underbow.errors import InputError
from underbow.track.performance import Performance
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet

from .conftest import TABLE, simulation


@pytest.fixture(scope="module")
def heard(sheet: Sheet, performance: Performance, in_room: tuple[Path, Any]) -> Heard:
    return listen(in_room[0], performance, sheet.mixes[0], voices="soundfont")


def test_the_track_is_found_to_the_millisecond(heard: Heard, in_room: tuple[Path, Any]) -> None:
    assert heard.verdict == "judged"
    assert heard.place.leak
    assert abs(heard.place.offset - in_room[1].offset) < 0.002
    assert heard.to_json()["offset_within_ms"] == 3.0


def test_strokes_are_found_where_they_were_played(heard: Heard, in_room: tuple[Path, Any]) -> None:
    truth = np.array([second for second in in_room[1].heard if second is not None])
    found = np.array([stroke.heard for stroke in heard.strokes if stroke.heard is not None])
    assert mir_eval.onset.f_measure(np.sort(truth), np.sort(found), window=0.03)[0] > 0.95
    off = [stroke.heard - then for stroke, then in zip(heard.strokes, truth, strict=True) if stroke.heard is not None]
    assert len(off) >= 0.9 * len(truth)
    assert np.median(np.abs(off)) < 0.006
    assert not any(stroke.missing for stroke in heard.strokes)


def test_fingers_are_measured_to_a_few_cents(heard: Heard, in_room: tuple[Path, Any]) -> None:
    off = [
        cents - in_room[1].cents[index, string]
        for index, stroke in enumerate(heard.strokes)
        for string, _, cents in stroke.cents
        if cents is not None
    ]
    assert len(off) > 60
    assert np.quantile(np.abs(off), 0.95) < 4


def test_the_report_is_plain_data_in_the_units_it_says(heard: Heard) -> None:
    data = heard.to_json()
    assert [played["tempo"] for played in data["passes"]] == [96, 112]
    assert {change["to"] for change in data["changes"]} == {"C", "G", "D", "A"}
    stroke = next(stroke for stroke in data["strokes"] if stroke["heard"] is not None)
    assert stroke["off_ms"] == pytest.approx(1000 * (stroke["heard"] - stroke["expected"]), abs=0.2)
    assert len(data["advice"]) <= 3


def test_another_key_and_a_flat_fiddle_are_said_to_be_another_pitch(
    sheet: Sheet, performance: Performance, tmp_path: Path
) -> None:
    simulate = simulation()
    flat = replace(simulate.CLEAN, dropped=0.0, flat=-100.0)
    take = simulate.make_take(performance, sheet.mixes[0], flat, 3, learner="builtin", leak="builtin")
    path = tmp_path / "flat.wav"
    soundfile.write(path, take.sound, simulate.RATE)
    found = listen(path, performance, sheet.mixes[0], voices="builtin")
    assert (found.verdict, found.strokes) == ("other pitch", ())
    assert "1 semitone lower" in found.why


def test_a_key_whose_chords_fit_the_round_one_bar_later_is_refused(
    performance: Performance, sheet: Sheet, fluidsynth_library: str, tmp_path: Path
) -> None:
    # F C G D is C G D A a fifth lower: three of its four bars are the sheet's own, a bar away
    lower = build_sheet({**TABLE, "progression": "F | C | G | D | F | C", "shapes": {}})
    simulate = simulation()
    take = simulate.make_take(perform(lower), lower.mixes[0], simulate.ROOM, 7, learner="soundfont", leak="soundfont")
    path = tmp_path / "lower.flac"
    soundfile.write(path, take.sound, simulate.RATE)
    assert listen(path, performance, sheet.mixes[0], voices="soundfont").verdict in ("other pitch", "other piece")


def test_on_headphones_as_many_strokes_are_early_as_late(
    performance: Performance, sheet: Sheet, fluidsynth_library: str, tmp_path: Path
) -> None:
    simulate = simulation()
    take = simulate.make_take(performance, sheet.mixes[0], simulate.CLEAN, 8, learner="soundfont", leak="soundfont")
    path = tmp_path / "clean.flac"
    soundfile.write(path, take.sound, simulate.RATE)
    found = listen(path, performance, sheet.mixes[0], voices="soundfont")
    offs = [stroke.off_ms for stroke in found.strokes if stroke.off_ms is not None]
    assert not found.place.leak
    assert abs(np.mean(offs)) < 4
    assert abs(found.place.offset - take.offset) < 0.010
    assert found.place.within is not None
    assert abs(found.place.offset - take.offset) < found.place.within < 0.02
    assert found.to_json()["offset_within_ms"] == round(1000 * found.place.within, 1)


def test_another_piece_is_not_judged(in_room: tuple[Path, Any]) -> None:
    other = build_sheet({**TABLE, "progression": "F | Bb | Eb | Bb | F | Cm", "shapes": {}, "pattern": "saw"})
    # its chords are nearly those of the sheet, moved
    assert listen(in_room[0], perform(other), other.mixes[0], voices="builtin").verdict == "other piece"


def test_silence_and_clipping_are_said(
    sheet: Sheet, performance: Performance, in_room: tuple[Path, Any], tmp_path: Path
) -> None:
    silent = tmp_path / "silent.wav"
    soundfile.write(silent, np.random.default_rng(0).normal(0, 1e-4, 88_200), 44_100)
    assert listen(silent, performance, sheet.mixes[0], voices="builtin").verdict == "silent"
    clipped = tmp_path / "clipped.wav"
    soundfile.write(clipped, np.clip(in_room[1].sound * 12, -0.9, 0.9), 44_100)
    assert listen(clipped, performance, sheet.mixes[0], voices="builtin").verdict == "clipped"


def test_what_phones_record_is_read(
    in_room: tuple[Path, Any], sheet: Sheet, performance: Performance, program: Any, tmp_path: Path
) -> None:
    phone = tmp_path / "take.m4a"
    subprocess.run(
        [program("ffmpeg"), "-v", "error", "-i", str(in_room[0]), "-c:a", "aac", "-b:a", "64k", str(phone)], check=True
    )
    heard = listen(phone, performance, sheet.mixes[0], voices="soundfont")
    assert heard.verdict == "judged"
    assert abs(heard.place.offset - in_room[1].offset) < 0.03  # an encoder may begin a frame early


@pytest.mark.parametrize("content", [b"", b"RIFF\0\0\0\0WAVE", b"not a sound at all" * 100])
def test_what_is_no_sound_is_refused_in_a_line(
    content: bytes, sheet: Sheet, performance: Performance, tmp_path: Path
) -> None:
    path = tmp_path / "odd.m4a"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"odd\.m4a"):
        listen(path, performance, sheet.mixes[0], voices="builtin")
