"""A lesson is small enough to mail: what is in it by default, what too much of it becomes, and a page for a web server."""

from __future__ import annotations

import json
import tomllib
import zipfile
from pathlib import Path

import pytest
import soundfile
from typer.testing import CliRunner, Result

from underbow.cli import app
from underbow.errors import InputError
from underbow.jobs import lesson as module
from underbow.lesson.options import LessonOptions
from underbow.track.mixes import STANDARD_MIXES

from .sheets import write_sheet


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [*map(str, words), "--voices", "builtin"], catch_exceptions=False)


def files(folder: Path) -> dict[str, str]:
    manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
    return {file["path"]: file["kind"] for file in manifest["files"]}


def test_by_default_there_is_the_page_and_one_track(tmp_path: Path) -> None:
    sheet = tmp_path / "round.toml"
    lines = ['title = "Round"', 'progression = "G | D"', 'pattern = "saw"', "compose = { seed = 1 }"]
    sheet.write_text("\n".join([*lines, "[tempo]", "goal = 200", "passes = 1", ""]), encoding="utf-8")
    assert run("lesson", sheet, "-o", tmp_path / "l").exit_code == 0
    made = files(tmp_path / "l")
    assert [path for path, kind in made.items() if kind == "audio"] == ["tracks/Round - backup turn.mp3"]
    info = soundfile.info(tmp_path / "l" / "tracks" / "Round - backup turn.mp3")
    assert (info.channels, info.samplerate) == (1, 44_100)
    assert (tmp_path / "l" / "tracks" / "Round - backup turn.mp3").stat().st_size * 8 / info.duration >= 96_000
    text = (tmp_path / "l" / "README.txt").read_text("utf-8")
    assert text.index("Unzip first") < text.index("Open the practice page")
    assert "On a phone" in text
    assert "tune turn" not in text


def test_a_zip_too_large_to_mail_is_told_with_what_to_leave_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_SENT", 100_000)
    single = run("lesson", write_sheet(tmp_path, "one", "One"), "-o", tmp_path / "s")
    assert single.stderr.endswith("too large for many mailboxes (20 MB): write fewer passes\n")
    full = run(
        "lesson", write_sheet(tmp_path, "one", "One"), "-o", tmp_path / "f", "--mix", "all", "--format", "mp3,ogg"
    )
    assert full.stderr.endswith("leave out mixes or leave out formats or write fewer passes\n")
    drilled = run(
        "drill", "G", "--passes", "1", "--start", "100", "--rounds", "1", "--lesson", "--stems", "-o", tmp_path / "d"
    )
    assert drilled.stderr.endswith("leave out the parts alone or write fewer passes\n")


def test_a_wav_is_stored_in_the_zip(tmp_path: Path) -> None:
    assert run("lesson", write_sheet(tmp_path, "one", "One"), "-o", tmp_path / "l", "--format", "wav").exit_code == 0
    with zipfile.ZipFile(tmp_path / "l.zip") as packed:
        kinds = {info.filename.rsplit(".", 1)[-1]: info.compress_type for info in packed.infolist()}
    assert kinds["wav"] == zipfile.ZIP_STORED
    assert kinds["html"] == zipfile.ZIP_DEFLATED


def test_a_page_for_a_web_server_lies_beside_its_sound(tmp_path: Path) -> None:
    assert run("lesson", write_sheet(tmp_path, "one", "One"), "-o", tmp_path / "l", "--site").exit_code == 0
    sound = [path for path, kind in files(tmp_path / "l").items() if kind == "sound"]
    assert sound
    assert all(path.startswith("sound/") and path.endswith(".mp3") for path in sound)
    assert (tmp_path / "l" / "One.html").stat().st_size < 300_000


def test_mixes_are_chosen_by_name_and_wrong_ones_refused() -> None:
    names = [mix.name for mix in LessonOptions(tracks=("Together", "tune turn")).chosen(STANDARD_MIXES)]
    assert names == ["tune turn", "together"]
    assert LessonOptions(tracks=("all",)).chosen(STANDARD_MIXES) == STANDARD_MIXES
    assert [mix.name for mix in LessonOptions().chosen(STANDARD_MIXES[1:])] == ["tune turn"]
    with pytest.raises(InputError, match=r"no mix 'tune turns' \(did you mean 'tune turn'\?\); choose from .*, or all"):
        LessonOptions(tracks=("tune turns",)).chosen(STANDARD_MIXES)


def test_a_drill_becomes_a_lesson_or_a_sheet(tmp_path: Path) -> None:
    made = run("drill", "G", "D", "--passes", "2", "--goal", "200", "--rounds", "1", "--lesson", "-o", tmp_path / "l")
    assert made.exit_code == 0, made.stderr
    assert {"Round G D.html", "Round G D.pdf", "tracks/Round G D - backup turn.mp3"} <= set(files(tmp_path / "l"))
    written = run("drill", "G", "D", "--sheet", "-o", tmp_path)
    assert written.exit_code == 0
    assert tomllib.loads((tmp_path / "Round G D.toml").read_text("utf-8"))["progression"].startswith("G | D")
    assert run("drill", "F#m", "Bb/D", "--sheet", "-o", tmp_path).exit_code == 0
    assert tomllib.loads((tmp_path / "Round F#m Bb-D.toml").read_text("utf-8"))["title"] == "Round F♯m B♭/D"
    refused = run("drill", "G", "D", "--sheet", "-o", tmp_path)
    assert refused.exit_code == 2
    assert "already exists" in refused.stderr
