"""A job's videos: one beside each track that is to have one, and nothing of what they were made from."""

from __future__ import annotations

import json
import pickle
from dataclasses import replace
from pathlib import Path

import av
import pytest
from typer.testing import CliRunner

from underbow.cli import app
from underbow.errors import InputError
from underbow.jobs import gather as gathering
from underbow.jobs.gather import gather
from underbow.jobs.run import run_job
from underbow.jobs.size import estimate
from underbow.lesson.options import LessonOptions
from underbow.lesson.video.options import VideoOptions
from underbow.sound.options import RenderOptions

from .sheets import write_sheet

SOUND = RenderOptions(voices="builtin", formats=("mp3",), mono=True)


def test_a_render_has_a_video_of_the_mix_that_is_chosen(tmp_path: Path) -> None:
    """The sheet has no backup turn: the first of its mixes has the video; both have their MP3, and no FLAC is left."""
    job = gather([write_sheet(tmp_path, "a", "Sheet")], SOUND, video=VideoOptions()).jobs[0]
    done = run_job(job, tmp_path / "done")
    report = done.report()
    assert done.is_whole(job.stamp)
    made = {file["path"]: file["kind"] for file in report["files"] if file["kind"] in {"audio", "video"}}
    assert made == {"Sheet - tune.mp3": "audio", "Sheet - both.mp3": "audio", "Sheet - tune.mp4": "video"}
    assert {path.suffix for path in done.files.iterdir()} == {".mp3", ".mp4", ".mid", ".cue", ".txt"}
    film = next(file for file in report["files"] if file["kind"] == "video")
    assert (film["mix"], film["bytes"]) == ("tune", (done.files / film["path"]).stat().st_size)
    with av.open(str(done.files / film["path"])) as container:
        assert container.duration is not None
        assert container.duration / 1e6 == pytest.approx(film["seconds"], abs=0.05)
    assert film["bytes"] < estimate(job)


def test_a_lesson_lays_it_beside_its_track_and_names_it(tmp_path: Path) -> None:
    sheet = write_sheet(tmp_path, "a", "Sheet")
    result = CliRunner().invoke(
        app,
        [
            "lesson",
            str(sheet),
            "-o",
            str(tmp_path / "lesson"),
            "--video",
            "--wide",
            "--voices",
            "builtin",
            "--no-cache",
            "--json",
        ],
    )
    assert result.exit_code == 0, result.stderr
    document = json.loads(result.stdout)
    kinds = {file["path"]: file["kind"] for file in document["files"]}
    assert kinds["tracks/Sheet - tune.mp4"] == "video"
    assert not any(path.endswith(".flac") for path in kinds)
    assert "tracks/*.mp4" in (tmp_path / "lesson" / "README.txt").read_text()
    with av.open(str(tmp_path / "lesson" / "tracks" / "Sheet - tune.mp4")) as container:
        assert container.streams.video[0].width == 1920


def test_a_stamp_follows_how_the_video_looks_and_what_encodes_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = gather([write_sheet(tmp_path, "a", "Sheet")], SOUND, video=VideoOptions()).jobs[0]
    others = [replace(job, video=video) for video in (None, VideoOptions(wide=True), VideoOptions(dark=True))]
    stamps = {one.stamp for one in [job, *others]}
    assert len(stamps) == 4
    assert pickle.loads(pickle.dumps(job)) == job
    monkeypatch.setattr("underbow.jobs.job.encoder_version", lambda: (("ffmpeg", "another"),))
    assert job.stamp not in stamps


def test_without_an_encoder_nothing_is_begun(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def none() -> None:
        raise InputError("a video needs ffmpeg")

    monkeypatch.setattr(gathering, "check_means", none)
    sheet = write_sheet(tmp_path, "a", "Sheet")
    result = CliRunner().invoke(app, ["render", str(sheet), "-o", str(tmp_path / "out"), "--video"])
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr == "underbow: a video needs ffmpeg\n"
    assert not (tmp_path / "out").exists()
    gather([sheet], LessonOptions(SOUND))  # who asks for none needs none


@pytest.mark.parametrize("option", ["--wide", "--dark"])
def test_what_is_said_of_a_video_that_nobody_asked_for_is_told(option: str, tmp_path: Path) -> None:
    sheet = write_sheet(tmp_path, "a", "Sheet")
    for name in ("render", "lesson"):
        result = CliRunner().invoke(app, [name, str(sheet), "-o", str(tmp_path / "out"), option])
        assert result.exit_code == 2
        assert result.stderr == f"underbow: {option} is of a video; add --video, or leave it out\n"
