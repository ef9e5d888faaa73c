"""Whole renders, judged by meters and readers that are not ours: pyloudnorm, libebur128, sox, ffprobe, mutagen."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import mutagen
import numpy as np
import pyloudnorm
import pytest
import soundfile

from underbow.files.caches import cache_folder
from underbow.sound.files.cues import cue_sheet, label_file
from underbow.sound.stems import Stems
from underbow.track.mixes import STANDARD_MIXES, Mix
from underbow.track.performance import Gesture, Manner, Performance, Sounded
from underbow.track.ramp import Ramp
from underbow.track.sequencer import perform
from underbow.track.sheet.read import build_sheet

from .. import libebur128
from .renders import GUIDE, TOGETHER, audio, quick


def lufs(sound: np.ndarray, rate: int = 44_100) -> float:
    return float(pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(sound))


@pytest.mark.parametrize("voices", ["builtin", "soundfont"])
@pytest.mark.parametrize("target", [-16.0, -20.0])
def test_every_mix_has_the_loudness_asked_for_and_no_peak_over(
    quartet: Performance, tmp_path: Path, voices: str, target: float, request: pytest.FixtureRequest
) -> None:
    if voices == "soundfont":
        request.getfixturevalue("fluidsynth_library")
    report = quick(quartet, tmp_path, *STANDARD_MIXES, voices=voices, loudness=target)
    files = [file for file in report.files if file.kind == "audio"]
    assert len(files) == 4
    for file, sound in zip(files, audio(report), strict=True):
        assert lufs(sound) == pytest.approx(target, abs=0.2)
        assert lufs(sound) == pytest.approx(file.lufs, abs=0.1)
        assert np.abs(sound).max() < 1
        if libebur128.HERE:
            assert libebur128.true_peak(sound, 44_100) <= -1.0
            assert libebur128.true_peak(sound, 44_100) == pytest.approx(file.dbtp, abs=0.2)


def test_the_loudest_clicks_are_limited_and_the_loudness_still_met(
    make: Callable[..., Performance], click: Callable[..., Gesture], stroke: Callable[..., Gesture], tmp_path: Path
) -> None:
    clicks = [click(Fraction(i, 2), 0.0) for i in range(40)]
    strokes = [stroke(i, 1, 62, level=-18) for i in range(4, 20)]
    played = make({"click": (-1, clicks), "melody": (40, strokes)}, ramp=Ramp("steady", 96, 96, 4))
    report = quick(played, tmp_path, Mix("m", (("click", (-13.0,)), ("melody", (0.0,)))), loudness=-16.0)
    (sound,) = audio(report)
    assert lufs(sound) == pytest.approx(-16, abs=0.2)
    assert report.files[0].dbtp is not None
    assert report.files[0].dbtp <= -1


def test_strokes_are_kept_only_where_that_is_wanted_and_change_no_byte(
    quartet: Performance, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("UNDERBOW_CACHE", str(tmp_path / "cache"))
    kept = cache_folder("strokes")
    without = quick(quartet, tmp_path / "without", kept=False)
    assert not kept.exists()
    cold, warm = (quick(quartet, tmp_path / name) for name in ("cold", "warm"))
    assert len(list(kept.glob("??/*"))) > 10
    assert len({report.files[0].sha256 for report in (without, cold, warm)}) == 1


def test_the_same_performance_gives_the_same_bytes(quartet: Performance, tmp_path: Path) -> None:
    one = quick(
        quartet, tmp_path / "one", TOGETHER, GUIDE, formats=("wav", "flac", "ogg", "mp3"), stems=True, papers=True
    )
    other = quick(
        quartet,
        tmp_path / "other",
        TOGETHER,
        GUIDE,
        formats=("wav", "flac", "ogg", "mp3"),
        stems=True,
        papers=True,
        remember=False,
    )
    first, second = ({Path(f.path).name: f.sha256 for f in report.files} for report in (one, other))
    assert len(first) == 2 * 4 + 4 + 2 + 1 + 2
    assert first == second
    for name in first:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "other" / name).read_bytes()


def test_a_mix_is_the_same_whatever_else_is_asked_for(quartet: Performance, tmp_path: Path) -> None:
    alone = quick(quartet, tmp_path / "alone", STANDARD_MIXES[2])
    among = quick(quartet, tmp_path / "among", *STANDARD_MIXES[1:], stems=True)
    assert np.array_equal(audio(alone)[0], audio(among)[1])


def test_the_sizes_of_blocks_make_no_difference_to_the_files(
    quartet: Performance, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocks, sums = Stems.blocks, []
    for size in (64, 1000, 65_536):
        monkeypatch.setattr(Stems, "blocks", lambda self, size=size: blocks(self, size))
        report = quick(quartet, tmp_path / str(size), TOGETHER, GUIDE, loudness=-13.0, stems=True, rate=22_050)
        sums.append([file.sha256 for file in report.files])
    assert sums[0] == sums[1] == sums[2]


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="this system doesn't let a process choose its cores")
def test_the_number_of_cores_makes_no_difference(quartet: Performance, tmp_path: Path) -> None:
    many = quick(quartet, tmp_path / "many", TOGETHER, GUIDE)
    cores = os.sched_getaffinity(0)
    try:
        os.sched_setaffinity(0, {min(cores)})
        one = quick(quartet, tmp_path / "one", TOGETHER, GUIDE)
    finally:
        os.sched_setaffinity(0, cores)
    assert [file.sha256 for file in one.files] == [file.sha256 for file in many.files]


def test_passes_are_as_long_as_the_ramp_says_to_the_sample(
    make: Callable[..., Performance], click: Callable[..., Gesture], tmp_path: Path
) -> None:
    """Four beats at 67, 78, 89 and 100 a minute: 60 * 4 / tempo seconds, each position rounded once."""
    played = make({"click": (-1, [click(i) for i in range(20)])}, ramp=Ramp("steps", 67, 100, 4))
    report = quick(played, tmp_path, Mix("click", (("click", (0.0,)),)))
    told = report.to_json()["passes"]
    edges, seconds = [], Fraction(240, 67)
    for tempo in (67, 78, 89, 100):
        edges.append(round(seconds * 44_100))
        seconds += Fraction(240, tempo)
    edges.append(round(seconds * 44_100))
    assert [one["frame"] for one in told] == edges[:-1]
    assert [one["frames"] for one in told] == np.diff(edges).tolist()
    (sound,) = audio(report)
    for edge in edges[:-1]:  # a click begins each pass
        near = np.abs(sound[edge - 50 : edge + 400]).sum(axis=1)
        first = np.argmax(near > 0.02 * near.max()) - 50
        assert abs(first) <= 1, edge


def test_formats_open_in_readers_that_are_not_ours(
    quartet: Performance, tmp_path: Path, program: Callable[[str], str]
) -> None:
    report = quick(quartet, tmp_path, formats=("wav", "flac", "ogg", "mp3"), rate=48_000)
    for file in report.files[:4]:
        probe = [
            program("ffprobe"),
            "-v",
            "error",
            "-show_entries",
            "stream=sample_rate,channels:stream_tags=title:format=duration:format_tags=title",
            "-of",
            "json",
        ]
        told = json.loads(subprocess.run([*probe, file.path], capture_output=True, check=True).stdout)
        assert (told["streams"][0]["sample_rate"], told["streams"][0]["channels"]) == ("48000", 2)
        assert float(told["format"]["duration"]) == pytest.approx(file.seconds, abs=0.06)
        assert "A test piece (together)" in json.dumps(told)
        tags = mutagen.File(file.path)
        if not file.path.endswith("wav"):  # mutagen reads no LIST INFO chunk
            assert "A test piece (together)" in str(tags.get("title") or tags.get("TIT2"))
    seconds = subprocess.run([program("soxi"), "-D", report.files[0].path], capture_output=True, check=True).stdout
    assert float(seconds) == pytest.approx(report.files[0].seconds, abs=1e-4)


@pytest.mark.parametrize(("bits", "subtype"), [(16, "PCM_16"), (24, "PCM_24"), ("float", "FLOAT")])
def test_bits(quartet: Performance, tmp_path: Path, bits: int | str, subtype: str) -> None:
    assert soundfile.info(quick(quartet, tmp_path, bits=bits).files[0].path).subtype == subtype


def test_stems_add_up(quartet: Performance, tmp_path: Path) -> None:
    report = quick(quartet, tmp_path, stems=True, bits="float")
    stems = {file.mix: soundfile.read(file.path)[0] for file in report.files if file.kind == "stem"}
    assert set(stems) == {"melody", "backup", "rhythm", "click"}
    for file in report.files:
        if file.kind == "stem":
            assert Path(file.path).name == f"A test piece - {file.mix} alone.wav"
            assert file.dbtp is not None
            assert file.dbtp <= -1
    # In the mix every part is its stem at its level, to one common gain, where the limiter sleeps.
    (sound,) = audio(report)
    levels = {"melody": 0.0, "backup": -3.0, "rhythm": -6.0, "click": -9.0}
    total = sum(10 ** (levels[name] / 20) * stem for name, stem in stems.items())
    gains = sound.sum(axis=1)[44_100:88_200] @ total[44_100:88_200] / (total[44_100:88_200] @ total[44_100:88_200])
    assert np.corrcoef(sound.sum(axis=1), total)[0, 1] > 0.98
    assert 0.3 < gains < 3


def test_labels_and_cues_lie_where_the_passes_do(quartet: Performance) -> None:
    lines = [line.split("\t") for line in label_file(quartet).splitlines()]
    assert [line[2] for line in lines] == ["count-in", "pass 1, 1/4 = 100", "pass 2, 1/4 = 116", "pass 3, 1/4 = 132"]
    assert [float(line[0]) for line in lines] == pytest.approx([0, 2.4, 2.4 + 4.8, 2.4 + 4.8 + 480 / 116], abs=1e-6)
    assert all(a[1] == b[0] for a, b in pairwise(lines))
    sheet = cue_sheet(quartet, "a.mp3", 'A "test"').splitlines()
    assert sheet[:2] == ["TITLE \"A 'test'\"", 'FILE "a.mp3" MP3']
    assert sheet[2:8] == [
        "  TRACK 01 AUDIO",
        '    TITLE "count-in"',
        "    INDEX 01 00:00:00",
        "  TRACK 02 AUDIO",
        '    TITLE "pass 1, 1/4 = 100"',
        "    INDEX 01 00:02:30",
    ]


def test_tuning_notes_have_a_label_of_their_own() -> None:
    """Whoever jumps to the count-in shall not hear the strings tuned first; four strings take 3 s each, in whole bars."""
    abc = 'X:1\nT:Two bars\nM:4/4\nL:1/4\nK:G\n"G"GABc|"D"d4|]'
    table = {"abc": abc, "pattern": "saw", "tempo": {"goal": 60, "passes": 1}, "sound": {"tuning_notes": True}}
    lines = label_file(perform(build_sheet(table))).splitlines()
    assert lines == [
        "0.000000\t12.000000\ttuning notes",
        "12.000000\t20.000000\tcount-in",
        "20.000000\t28.000000\tpass 1, 1/4 = 60",
    ]


def test_the_report_has_what_was_promised(quartet: Performance, tmp_path: Path) -> None:
    told = json.loads(json.dumps(quick(quartet, tmp_path, GUIDE, papers=True).to_json()))
    assert {"title", "files", "passes", "bars", "voices"} <= set(told)
    assert {"path", "kind", "mix", "sha256", "rate", "frames", "seconds", "lufs", "dbtp"} <= set(told["files"][0])
    assert [file["kind"] for file in told["files"]] == ["audio", "midi", "labels", "cue"]
    assert [(one["number"], one["tempo"], one["beat"]) for one in told["passes"]] == [
        (1, 100, "1/4"),
        (2, 116, "1/4"),
        (3, 132, "1/4"),
    ]
    assert told["bars"][1] == {"pass": 1, "round": 1, "bar": 2, "time": 1, "start": 4.8, "chord": "G"}
    assert told["voices"] == "builtin"


def test_progress_rises_to_one(quartet: Performance, tmp_path: Path) -> None:
    told: list[float] = []
    quick(quartet, tmp_path, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1)


def test_a_silent_mix_is_silent_and_told_as_such(quartet: Performance, tmp_path: Path) -> None:
    report = quick(quartet, tmp_path, Mix("nothing", (("melody", (None,)),)))
    assert not audio(report)[0].any()
    assert (report.files[0].lufs, report.files[0].dbtp) == (None, None)


def test_both_rates_and_pitch_stay_right(make: Callable[..., Performance], tmp_path: Path) -> None:
    note = Gesture(Manner.TONE, (Sounded(Fraction(4), Fraction(4), 69, 0.0),))
    played = make({"melody": (73, [note])}, ramp=Ramp("steady", 60, 60, 1), concert_pitch=442.0)
    for rate in (44_100, 48_000):
        report = quick(played, tmp_path / str(rate), Mix("m", (("melody", (0.0,)),)), rate=rate)
        sound = audio(report)[0].sum(axis=1)[round(4.5 * rate) : round(7.5 * rate)]
        spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound))))
        assert 1200 * abs(np.log2(np.argmax(spectrum) * rate / len(sound) / 442.0)) < 5
        assert soundfile.info(report.files[0].path).samplerate == rate


def test_accents_are_not_limited_away_to_reach_a_loudness(
    make: Callable[..., Performance], stroke: Callable[..., Gesture], tmp_path: Path
) -> None:
    """Chops alone are short peaks over silence: they stay well apart, and the report says what loudness they allow."""
    levels = [0.0, -6.0, -12.0, -6.0]
    chops = [
        replace(stroke(i, Fraction(1, 8), 55, 62, level=levels[i % 4], bow=""), manner=Manner.CHOP)
        for i in range(4, 36)
    ]
    played = make({"backup": (110, chops)}, ramp=Ramp("steady", 90, 90, 8))
    report = quick(played, tmp_path, Mix("chops", (("backup", (0.0,)),)))
    (sound,) = audio(report)
    starts = [round(played.tempo.seconds(chop.start) * 44_100) for chop in chops]
    heard = [20 * np.log10(np.abs(sound[at : at + 4410]).max()) for at in starts]
    apart = [np.mean(heard[0::4]) - np.mean(heard[i::4]) for i in (1, 2)]
    assert apart[0] >= 3
    assert apart[1] >= 6
    file = report.files[0]
    assert file.lufs is not None
    assert file.lufs < -16.5
    assert lufs(sound) == pytest.approx(file.lufs, abs=0.2)
    assert any(line == f"chops: its peaks allow {file.lufs:.1f} LUFS, not -16" for line in report.told)
