"""What a hostile or unlucky user does: no traceback, no waiting for ever, nothing lost, one line with the cure."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from underbow.cli import app

ROOT = Path(__file__).parents[2]


def underbow(*words: str | Path, cwd: Path, out: int = subprocess.PIPE) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "underbow", *map(str, words)],
        stdout=out, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True, cwd=cwd, timeout=120, check=False,
    )  # fmt: skip


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.parametrize("words", [("check", "p.toml"), ("render", "p.toml"), ("patterns", "p.toml"), ("tune", "p.abc"),
                                   ("chords", "p.abc"), ("voices", "--soundfont", "p.sf2")])  # fmt: skip
def test_a_pipe_or_device_is_refused_instead_of_waited_for(tmp_path: Path, words: tuple[str, ...]) -> None:
    os.mkfifo(tmp_path / words[-1])
    done = underbow(*words, cwd=tmp_path)
    assert done.returncode == 2
    assert "a device or a pipe; save it as a file" in done.stdout + done.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_an_answer_that_nobody_takes_ends_with_1_and_no_traceback(tmp_path: Path) -> None:
    full = os.open("/dev/full", os.O_WRONLY)
    done = underbow("patterns", cwd=tmp_path, out=full)
    os.close(full)
    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1
    read, write = os.pipe()
    os.close(read)
    done = underbow("patterns", "--json", cwd=tmp_path, out=write)
    os.close(write)
    assert (done.returncode, done.stderr) == (1, "")


@pytest.mark.parametrize(
    ("name", "content"),
    [("tune.docx", b"PK\x03\x04..."), ("photo.jpg", b"\xff\xd8\xff\xe0rest"), ("photo.abc", b"\xff\xd8\xff\xe0rest"),
     ("notes.pdf", b"%PDF-1.7"), ("sheet.toml", b"title = 'x'")],
)  # fmt: skip
def test_what_is_no_tune_is_not_played(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / name).write_bytes(content)
    result = CliRunner().invoke(app, ["tune", str(tmp_path / name)], catch_exceptions=False)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "write it in ABC as plain text" in result.stderr


def test_chords_never_write_over_a_tune(tmp_path: Path) -> None:
    mine = tmp_path / "mine.abc"
    mine.write_text("my own")
    result = CliRunner().invoke(app, ["chords", str(ROOT / "tracks/lamplight.abc"), "-o", str(mine)])
    assert result.exit_code == 2
    assert mine.read_text() == "my own"


@pytest.mark.parametrize("seed", range(60))
def test_damaged_files_end_with_0_or_2_and_never_a_traceback(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    source = chance.choice(sorted((ROOT / "src/underbow/cli/starter").iterdir()))
    data = bytearray(source.read_bytes())
    for _ in range(chance.randint(1, 8)):
        at = chance.randrange(len(data))
        if chance.random() < 0.5:
            data[at] = chance.choice(b"\x00\x1b\"'[]{}=|:,.-0123456789ABCdu\xff\n")
        else:
            del data[at : at + chance.randint(1, 30)]
    for name in ("first-tune.abc", "my-pattern.toml"):
        (tmp_path / name).write_bytes((source.parent / name).read_bytes())
    (tmp_path / source.name).write_bytes(data)
    result = CliRunner().invoke(app, ["check", str(tmp_path / source.name)], catch_exceptions=False)
    assert result.exit_code in (0, 2)
    assert "\x1b" not in result.stdout


@pytest.mark.parametrize(
    ("text", "cure"),
    [
        ("title = “Reel”\n", "straight quotes"),
        ("[sound]\nloudness = -16,0\n", "write a point in a number"),
        ("[tempo]\nbeat = 1/4\n", 'such as "1/4"'),
        ('title = "Reel\n', "a double quote is missing"),
        ("title: Reel\n", "write = between a key and its value"),
        ("start = 60\n", "write it below the line [tempo]"),
        ('[tempo]\ntune = "a.abc"\n', "write it above the first line in brackets"),
    ],
)
def test_the_usual_slips_of_a_teacher_have_their_cure(tmp_path: Path, text: str, cure: str) -> None:
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(text, "utf-8")
    result = CliRunner().invoke(app, ["check", str(sheet)], catch_exceptions=False)
    assert result.exit_code == 2
    assert cure in result.stdout


def test_a_folder_name_that_is_too_long_is_told(tmp_path: Path) -> None:
    result = CliRunner().invoke(app, ["new", str(tmp_path / ("a" * 400))], catch_exceptions=False)
    assert result.exit_code == 2
    assert "can't make the folder" in result.stderr


def test_a_folder_that_is_a_file_is_told_by_its_name(tmp_path: Path) -> None:
    taken = tmp_path / "taken"
    taken.write_text("a file")
    words = ["drill", "G", "D", "--passes", "1", "--start", "100", "--rounds", "1", "-o", str(taken)]
    result = CliRunner().invoke(app, words, catch_exceptions=False)
    assert result.exit_code == 2
    assert f"can't make the folder {taken}: a file has this name" in result.stderr


def test_a_name_with_spaces_and_no_quotes_has_its_cure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "My Sheet.toml").write_text("title = 'mine'\n")
    result = CliRunner().invoke(app, ["render", "My", "Sheet.toml"], catch_exceptions=False)
    assert result.exit_code == 2
    assert result.stderr == 'underbow: a name with spaces needs quotes round it: "My Sheet.toml"\n'
