"""Windows' and macOS's manners, by simulation: what they do is done to us here; neither system was run.

Source: Microsoft, "Naming Files, Paths, and Namespaces" and "System Error Codes" (Win32 documentation).
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from underbow.errors import InputError, UnderbowError
from underbow.files import whole as whole_module
from underbow.files.names import safe_name
from underbow.files.whole import write_whole

ROOT = Path(__file__).parents[2]
MOST = 260  # characters of a path, with its end: MAX_PATH


def held(number: int = 32) -> PermissionError:
    error = PermissionError(13, "The process cannot access the file because it is being used by another process")
    error.winerror = number  # type: ignore[attr-defined]
    return error


@pytest.mark.parametrize("number", [5, 32, 33])
def test_a_file_that_another_program_holds_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    rename, tries = Path.replace, []

    def let_go_at_the_third(part: Path, path: Path) -> Path:
        tries.append(part)
        if len(tries) < 3:
            raise held(number)
        return rename(part, path)

    monkeypatch.setattr(whole_module, "_WAITS", (0.001,) * 5)
    monkeypatch.setattr(Path, "replace", let_go_at_the_third)
    write_whole(tmp_path / "a.abc", "X:1")
    assert len(tries) == 3
    assert [path.name for path in tmp_path.iterdir()] == ["a.abc"]


def test_a_file_that_stays_held_is_one_clear_line_and_the_old_one_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a.wav").write_text("old")
    monkeypatch.setattr(whole_module, "_WAITS", (0.001,) * 5)

    def never(part: Path, path: Path) -> Path:
        raise held()

    monkeypatch.setattr(Path, "replace", never)
    with pytest.raises(UnderbowError) as told:
        write_whole(tmp_path / "a.wav", "new")
    monkeypatch.undo()
    path = tmp_path / "a.wav"
    assert str(told.value) == f"can't write {path}: another program has it open; close it there, then try again"
    assert not isinstance(told.value, InputError)
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {"a.wav": "old"}


def test_a_plain_want_of_permission_is_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def never(part: Path, path: Path) -> Path:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(whole_module.time, "sleep", lambda _: pytest.fail("waited"))
    monkeypatch.setattr(Path, "replace", never)
    with pytest.raises(InputError, match="no permission to write"):
        write_whole(tmp_path / "a.wav", "new")


def test_folders_that_cant_be_opened_are_not_synced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = os.open

    def files_only(path: str, flags: int, *mode: int) -> int:
        if Path(path).is_dir():
            raise PermissionError(13, "Permission denied")
        return opened(path, flags, *mode)

    monkeypatch.setattr(os, "open", files_only)
    write_whole(tmp_path / "a.abc", "X:1")
    assert (tmp_path / "a.abc").read_text() == "X:1"


@pytest.mark.parametrize("sign", ["W", "é", "龍", "🎻", "q\u0323"])
def test_a_lesson_of_the_longest_names_can_be_unpacked_where_people_unpack(sign: str) -> None:
    title, mix = safe_name(sign * 200), safe_name(sign * 60)
    inside = f"{title}/99 {title}/{title} - {mix}.flac"
    where = r"C:\Users\Margaret Ann\OneDrive\Documents\Fiddle class"
    assert len(f"{where}/{inside}".encode("utf-16-le")) // 2 < MOST


@pytest.mark.parametrize(
    "words",
    [
        ("patterns",),
        ("shapes", "G", "F#m7b5"),
        ("tune", str(ROOT / "tracks/snow-on-the-weir.abc")),
        ("check", "näme.toml"),
    ],
)
def test_a_console_in_windows_latin_1_gets_replacements_and_no_crash(words: tuple[str, ...], tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "underbow", *words], capture_output=True, check=False, cwd=tmp_path,
        env=os.environ | {"PYTHONIOENCODING": "cp1252", "PYTHONUTF8": "0"},
    )  # fmt: skip
    assert done.returncode == (2 if words[0] == "check" else 0)
    assert b"Traceback" not in done.stderr
    assert (done.stdout + done.stderr).decode("cp1252")
