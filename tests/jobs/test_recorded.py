"""A sheet whose melody is somebody's recording, from its bytes to its sound."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from underbow.cli import app
from underbow.errors import InputError
from underbow.jobs.gather import gather
from underbow.jobs.run import run_job
from underbow.lesson.contents import sheet_text
from underbow.lesson.practice.audio import PageAudio
from underbow.lesson.practice.page import make_page
from underbow.lesson.print.handout import handout_data
from underbow.lesson.words import ENGLISH
from underbow.sound.options import RenderOptions
from underbow.track.sequencer import perform
from underbow.track.sheet.read import read_sheet

RATE = 22_050
ABC = "X:1\nT:Two sides\nM:4/4\nL:1/4\nK:D\n|:D F A d|c A E A:|:d f e c|d A F D:|\n"
NOTES = [62, 66, 69, 74, 73, 69, 64, 69] * 2 + [74, 78, 76, 73, 74, 69, 66, 62] * 2
SHEET = """tune = "two.abc"
pattern = "saw"
[tempo]
start = 60
goal = 90
passes = 2
count_in = 1
[recording]
file = "me.wav"
by = "Ada"
"""


def played(beats: Callable[[int], float], pitch: float = 446.0) -> np.ndarray:
    """A plain tone for each note, begun where ``beats`` says, with some noise."""
    rng = np.random.default_rng(1)
    out = rng.normal(0, 1e-4, round((beats(len(NOTES)) + 2) * RATE))
    for number, midi in enumerate(NOTES):
        begin, end = round(beats(number) * RATE), round(beats(number + 1) * RATE)
        time = np.arange(end - begin + 400) / RATE
        shape = np.minimum(1, time / 0.008) * np.minimum(1, (time[-1] - time) / 0.015)
        hertz = pitch * 2 ** ((midi - 69) / 12)
        tone = sum(np.sin(2 * np.pi * hertz * k * time) / k for k in range(1, 8))
        out[begin : begin + len(time)] += 0.1 * tone * shape
    return out.astype(np.float32)


def swaying(number: int) -> float:
    return 1.0 + 0.5 * number + 0.03 * np.sin(number)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "two.abc").write_text(ABC)
    (tmp_path / "s.toml").write_text(SHEET)
    soundfile.write(tmp_path / "me.wav", played(swaying), RATE)
    return tmp_path


OPTIONS = RenderOptions(voices="builtin", stems=True, rate=RATE, papers=False)


def test_every_pass_plays_the_recording_at_the_pass_own_tempo_and_pitch(folder: Path) -> None:
    job = gather([folder / "s.toml"], OPTIONS, ["backup turn"]).jobs[0]
    finished = run_job(job, folder / "out")
    report = finished.report()
    assert "Ada's own playing (me.wav), with A at 446 Hz" in report["told"][0]
    assert report["told"][1] == "hand it on only if Ada agrees to it"
    assert not [line for line in report["told"] if line.startswith("bar")]
    sound, rate = soundfile.read(next(finished.files.glob("*melody alone.wav")))
    seconds = [bar["start"] for bar in report["bars"]]
    assert [round(b - a, 4) for a, b in pairwise(seconds)] == [4.0] * 8 + [round(8 / 3, 4)] * 7
    for number, start in enumerate(seconds):  # the first note of each bar, looked at in its middle
        beat = 1.0 if number < 8 else 2 / 3
        for place in range(4):
            midi = NOTES[(number % 8) * 4 + place]
            middle = round((start + (place + 0.5) * beat) * rate)
            piece = sound[middle - 4096 : middle + 4096] * np.hanning(8192)
            spectrum = np.abs(np.fft.rfft(piece, 1 << 17))
            wanted = 446 * 2 ** ((midi - 69) / 12)
            low, high = (round(wanted * 2 ** (by / 12) * (1 << 17) / rate) for by in (-0.7, 0.7))
            found = (low + int(spectrum[low:high].argmax())) * rate / (1 << 17)
            assert 1200 * np.log2(found / wanted) == pytest.approx(0, abs=3)  # cents
            assert spectrum[low:high].max() > 3 * spectrum[round(0.42 * low) : round(0.48 * low)].max()
    quiet = sound[: round((seconds[0] - 0.2) * rate)]
    assert np.abs(quiet).max() < 0.01 * np.abs(sound).max()  # nothing of it before the count-in is over


def test_the_hand_out_says_whose_playing_it_is_and_that_it_needs_consent(folder: Path) -> None:
    sheet = read_sheet(folder / "s.toml")
    assert "The melody is Ada's own playing: hand it on only with the player's consent." in sheet_text(sheet)
    assert "melody played by Ada" in handout_data(sheet, "a4", dict(ENGLISH))["facts"]
    page = make_page(sheet, perform(sheet), sheet.mixes, PageAudio({}, (0, 0), 0, 0.0))
    assert b"melody played by Ada" in page


def test_the_recording_is_part_of_the_stamp_and_the_bytes_are_the_same_each_time(folder: Path) -> None:
    options = replace(OPTIONS, stems=False)
    job = gather([folder / "s.toml"], options, ["backup turn"]).jobs[0]
    assert [name for name, _ in job.files] == ["two.abc", "me.wav"]
    one, two = (run_job(job, folder / name).report() for name in ("one", "two"))
    assert json.dumps(one) == json.dumps(two)
    soundfile.write(folder / "me.wav", played(swaying, 440.0), RATE)
    assert gather([folder / "s.toml"], options, ["backup turn"]).jobs[0].stamp != job.stamp


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ('file = "mee.wav"', "recording.file: no file \"mee.wav\" beside the sheet (did you mean 'me.wav'?)"),
        (
            'file = "me.wav"\nbar_lines = { "9" = 1.0 }',
            "recording.bar_lines: there is no bar 9; the tune has bars 1 to 4",
        ),
        ('file = "me.wav"\nbar_lines = { "x" = 1.0 }', 'recording.bar_lines: found "x", expected a bar, such as "7"'),
        ('player = "Ada"', "the key for this is by"),
    ],
)
def test_what_is_wrong_in_the_table_is_told(folder: Path, table: str, message: str) -> None:
    (folder / "s.toml").write_text(SHEET.partition("[recording]")[0] + "[recording]\n" + table + "\n")
    with pytest.raises(InputError) as error:
        read_sheet(folder / "s.toml")
    assert message in str(error.value)


def test_a_recording_of_something_else_fails_the_job_and_names_sheet_and_file(folder: Path) -> None:
    soundfile.write(folder / "me.wav", np.zeros(5 * RATE, np.float32), RATE)
    job = gather([folder / "s.toml"], OPTIONS).jobs[0]
    with pytest.raises(InputError, match=r's\.toml: recording, "me\.wav": there is next to no sound'):
        run_job(job, folder / "out")


@pytest.mark.parametrize("command", ["render", "lesson"])
@pytest.mark.parametrize("silent", [False, True])
def test_where_a_recording_is_no_good_nothing_is_left_behind(folder: Path, command: str, silent: bool) -> None:
    """What can't be read is refused before anything is made; what is not the tune, when it has been listened to."""
    soundfile.write(folder / "me.wav", np.zeros(5 * RATE if silent else 0, np.float32), RATE)
    if not silent:
        with pytest.raises(InputError, match=r's\.toml: recording, "me\.wav": there is no sound in it; record it anew'):
            gather([folder / "s.toml"], OPTIONS)
        (folder / "me.wav").write_bytes(b"no sound")
        with pytest.raises(InputError, match=r's\.toml: recording, "me\.wav": not a sound that can be read'):
            gather([folder / "s.toml"], OPTIONS)
    before = sorted(folder.iterdir())
    line = [command, str(folder / "s.toml"), "-o", str(folder / "new" / "out"), "--voices", "builtin"]
    result = CliRunner().invoke(app, line, catch_exceptions=False)
    assert result.exit_code == 2
    assert 's.toml: recording, "me.wav": ' in result.stderr
    assert sorted(folder.iterdir()) == before


def test_bars_chosen_play_only_what_is_asked_for(folder: Path) -> None:
    text = SHEET.replace("[tempo]", 'bars = "3-4"\n[tempo]')
    (folder / "s.toml").write_text(text)
    assert tomllib.loads(text)["bars"] == "3-4"
    job = gather([folder / "s.toml"], OPTIONS, ["backup turn"]).jobs[0]
    finished = run_job(job, folder / "out")
    sound, rate = soundfile.read(next(finished.files.glob("*melody alone.wav")))
    start = finished.report()["bars"][0]["start"] + float(Fraction(1, 2))
    piece = sound[round(start * rate) : round(start * rate) + 8192] * np.hanning(8192)
    assert np.abs(np.fft.rfft(piece)).argmax() * rate / 8192 == pytest.approx(
        446 * 2 ** (5 / 12), abs=4
    )  # d, as bar 3 begins


def checked(folder: Path) -> tuple[int, list[str]]:
    result = CliRunner().invoke(app, ["check", str(folder / "s.toml")], catch_exceptions=False)
    return result.exit_code, result.stdout.replace(f"{folder}/", "").splitlines()


def test_check_listens_to_a_recording_and_says_of_each_that_is_no_good_why_in_one_line(folder: Path) -> None:
    status, lines = checked(folder)
    assert (status, lines[0]) == (0, "s.toml: fine")
    assert any("Ada's own playing (me.wav), with A at 446 Hz" in line for line in lines)
    soundfile.write(folder / "me.wav", played(lambda number: 1.0 + 0.5 * number)[::-1], RATE)
    status, lines = checked(folder)
    assert status == 2
    assert len(lines) == 1
    assert lines[0].startswith('s.toml: recording, "me.wav": it isn\'t this tune: only ')
    assert lines[0].endswith("; take a recording of this tune, or write down what was played")  # at the desk as well
    soundfile.write(folder / "me.wav", played(swaying)[: round(swaying(20) * RATE)], RATE)
    assert checked(folder) == (
        2, ['s.toml: recording, "me.wav": bar 4 isn\'t in it; play the whole tune, or take only the bars that were played'],
    )  # fmt: skip
    (folder / "me.wav").write_bytes(b"no sound")
    status, lines = checked(folder)
    assert (status, len(lines)) == (2, 1)
    assert 'recording, "me.wav": not a sound that can be read' in lines[0]
    assert "/tmp" not in lines[0]
    soundfile.write(folder / "me.wav", np.zeros(1801 * 4000, np.int16), 4000)
    assert checked(folder) == (
        2,
        ['s.toml: recording, "me.wav": longer than 30 minutes; cut out what belongs to the sheet'],
    )
    (folder / "me.wav").unlink()
    status, lines = checked(folder)
    assert (status, len(lines)) == (2, 1)
    assert "me.wav" in lines[0]
