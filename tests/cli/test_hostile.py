"""What a hostile or unlucky user does: no traceback, no waiting for ever, nothing lost, one line with the cure."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from underbow.cli import app
from underbow.files.lock import take_new

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


@pytest.mark.parametrize("begin", ['title = "x"\n', "# mine\n\n[tempo]\nstart = 60\n", "tune = 'x.abc'\n"])
def test_a_sheet_under_another_name_is_checked_as_what_it_is(tmp_path: Path, begin: str) -> None:
    sheet = tmp_path / "sheet.txt"
    sheet.write_text(begin)
    result = CliRunner().invoke(app, ["check", str(sheet)], catch_exceptions=False)
    assert result.exit_code == 2
    assert "tune" in result.stdout
    assert "K:" not in result.stdout


@pytest.mark.parametrize("text", ["[GBd]2 A2|\n", "GABc|\n", "X:1\nK:G\nGABc|\n", "T = x\n"])
def test_a_tune_under_another_name_stays_a_tune(tmp_path: Path, text: str) -> None:
    (tmp_path / "tune.txt").write_text(text)
    result = CliRunner().invoke(app, ["check", str(tmp_path / "tune.txt")], catch_exceptions=False)
    assert "can't be read" not in result.stdout


def test_dashes_between_chords_are_told_instead_of_played(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text(
        'abc = """\nX:1\nM:4/4\nL:1/4\nK:D\nDEFG|ABcd|\n"""\nprogression = "D - G - A - D"\n'
    )
    result = CliRunner().invoke(app, ["check", str(tmp_path / "s.toml")], catch_exceptions=False)
    assert result.exit_code == 2
    assert 'for a bar each write "D | G | A | D"' in result.stdout


def test_chords_in_one_bar_with_a_rest_are_told_as_a_sheet_writes_them(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text(
        'abc = """\nX:1\nM:4/4\nL:1/4\nK:D\nDEFG|ABcd|\n"""\nprogression = "D D - G A D"\n'
    )
    result = CliRunner().invoke(app, ["check", str(tmp_path / "s.toml")], catch_exceptions=False)
    assert result.exit_code == 0
    assert "for a bar each write D | D | - | G | A | D" in result.stdout


def test_a_link_that_leads_nowhere_is_no_near_miss_of_itself(tmp_path: Path) -> None:
    try:
        (tmp_path / "loop.abc").symlink_to("loop.abc")
    except OSError:
        pytest.skip("this system has no links for everyone")
    (tmp_path / "s.toml").write_text('tune = "loop.abc"\n')
    result = CliRunner().invoke(app, ["check", str(tmp_path / "s.toml")], catch_exceptions=False)
    assert result.exit_code == 2
    assert '"loop.abc" is a link that leads nowhere' in result.stdout
    assert "did you mean" not in result.stdout


@pytest.mark.parametrize(
    ("line", "cure"),
    [
        ('[tempo]\nramp = "low"', '"steps", "glide" or "steady"'),
        ('[tempo]\nbeat = "½"', 'write "1/2"'),
        ('chords = "G | D"', "the key for this is progression"),
        ('bowing = "saw"', "the key for this is pattern"),
        ("speed = 80", "the key for this is tempo"),
        ('[[mix]]\nname = "x"\nguitar = "off"', "the key for this is rhythm"),
        ('guitar = "off"', "the key for this is rhythm, below the line [[mix]]"),
        ('pattern = "jig-separate"', "and the tune in 4/4; choose one of nashville-shuffle,"),
    ],
)
def test_words_that_a_teacher_tries_lead_to_the_one_that_is_meant(tmp_path: Path, line: str, cure: str) -> None:
    (tmp_path / "s.toml").write_text(f'abc = """\nX:1\nM:4/4\nL:1/4\nK:D\nDEFG|ABcd|\n"""\n{line}\n', "utf-8")
    result = CliRunner().invoke(app, ["check", str(tmp_path / "s.toml")], catch_exceptions=False)
    assert result.exit_code == 2
    assert cure in result.stdout
    assert "did you mean" not in result.stdout
    assert len(result.stdout) < 400


def test_json_shows_names_without_what_a_terminal_obeys_and_loses_none_of_it(tmp_path: Path) -> None:
    name = "a\x9b31m\u202eb\x1b[2J\x7f.abc"
    try:
        (tmp_path / name).write_text("X:1\nK:G\nGAB|\n")
    except OSError:
        pytest.skip("this system takes no such names")
    for words in (["check", "--json"], ["check"], ["tune", "--json"], ["chords", "--json"]):
        result = CliRunner().invoke(app, [words[0], str(tmp_path / name), *words[1:]], catch_exceptions=False)
        shown = result.stdout + result.stderr
        assert all(sign.isprintable() for sign in shown if sign != "\n"), words
    result = CliRunner().invoke(app, ["check", "--json", str(tmp_path / name)], catch_exceptions=False)
    assert json.loads(result.stdout)[0]["file"] == str(tmp_path / name)


@pytest.mark.parametrize(
    "words",
    [
        ("new", "mine"),
        ("chords", str(ROOT / "tracks/lamplight.abc"), "-o", "mine/new.abc"),
        ("drill", "G", "D", "--sheet", "-o", "mine"),
    ],
)
def test_whatever_writes_clears_away_what_a_killed_run_left_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("mine").mkdir()
    dead, alive = (Path(f"mine/.underbow-{key}.part") for key in ("0123456789ab", "ba9876543210"))
    dead.write_text("half")
    lock = take_new(alive) if words[0] != "new" else None  # which wants an empty folder
    result = CliRunner().invoke(app, list(words), catch_exceptions=False)
    assert (result.exit_code, dead.exists(), alive.exists()) == (0, False, lock is not None), result.output
    if lock is not None:
        lock.release()


@pytest.mark.parametrize(
    "words", [("check", "--\x1b]0;x\x07\x9b\u202e.toml"), ("\u202ex.toml",), ("render", "a.toml", "-\u2066x=1")]
)
def test_a_name_that_is_taken_for_an_option_steers_no_terminal(tmp_path: Path, words: tuple[str, ...]) -> None:
    done = underbow(*words, cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("underbow: no such ")
    assert done.stderr.removesuffix("\n").isprintable()
