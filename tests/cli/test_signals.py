"""Stopped at whatever moment by whatever signal: one line, the status that shells know, and nothing left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import mido
import pytest

ROOT = Path(__file__).parents[2]
SHEET = ROOT / "src/underbow/cli/starter/first-track.toml"
STOPPED = "underbow: stopped; no half-finished files were left behind"

pytestmark = pytest.mark.skipif(os.name != "posix", reason="this system has no such signals")


def begun(folder: Path, *words: str) -> subprocess.Popen[str]:
    """Start a render of many minutes, and wait until it writes."""
    run = subprocess.Popen(
        [sys.executable, "-m", "underbow", "render", str(SHEET), "--voices", "builtin", "-o", str(folder), *words],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=os.environ | {"TMPDIR": str(folder.parent)},
    )  # fmt: skip
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and not list(folder.glob(".underbow-*")):
        time.sleep(0.02)
    return run


def assert_whole(folder: Path) -> None:
    """Nothing but whole files: the MIDI files, which are made first, may be there already, and no audio yet."""
    for path in folder.iterdir():
        assert path.suffix == ".mid", path
        assert mido.MidiFile(path).length > 60


@pytest.mark.parametrize(("name", "status"), [("SIGINT", 130), ("SIGTERM", 143), ("SIGHUP", 129)])
def test_a_signal_ends_a_render_with_one_line_and_leaves_nothing(tmp_path: Path, name: str, status: int) -> None:
    folder = tmp_path / "out"
    run = begun(folder)
    run.send_signal(getattr(signal, name))
    run.send_signal(signal.SIGTERM)  # a second one right after it, as a session that ends sends, disturbs nothing
    _, told = run.communicate(timeout=60)
    assert (run.returncode, told.splitlines()[-1:]) == (status, [STOPPED])
    assert_whole(folder)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_terminal_that_is_gone_changes_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    run = begun(folder)
    assert run.stderr is not None
    run.stderr.close()
    run.send_signal(signal.SIGHUP)
    assert run.wait(60) == 129
    assert_whole(folder)


def test_what_whoever_started_it_ignores_stays_ignored(tmp_path: Path) -> None:
    code = (
        "import os, signal, sys; signal.signal(signal.SIGHUP, signal.SIG_IGN); "
        "os.execv(sys.executable, [sys.executable, '-c', sys.argv[1]])"
    )
    asks = (
        "import signal; from underbow.cli.signals import listen; listen(); "
        "print(signal.getsignal(signal.SIGHUP) == signal.SIG_IGN, callable(signal.getsignal(signal.SIGTERM)))"
    )
    done = subprocess.run([sys.executable, "-c", code, asks], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "True"]


@pytest.mark.parametrize("closed", [">&-", ">&- 2>&-", "<&- >&-"])
def test_closed_handles_are_no_traceback_and_never_a_file_of_ours(tmp_path: Path, closed: str) -> None:
    command = f"'{sys.executable}' -m underbow new '{tmp_path / 'mine'}' {closed}"
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=False)
    line = "underbow: can't write the answer: the output is closed\n"
    assert (done.returncode, done.stdout, done.stderr) == (1, "", "" if "2>" in closed else line)
    for path in (tmp_path / "mine").iterdir():
        assert path.read_bytes() == (SHEET.parent / path.name).read_bytes()
