"""Stopped at whatever moment by whatever signal: one line, the status that shells know, and nothing left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import mido
import pytest
import typer

from underbow.cli import signals
from underbow.cli.boundary import command

ROOT = Path(__file__).parents[2]
SHEET = ROOT / "src/underbow/cli/starter/first-track.toml"
STOPPED = "underbow: stopped; no half-finished files were left behind"

pytestmark = pytest.mark.skipif(os.name != "posix", reason="this system has no such signals")


def begun(folder: Path, *words: str) -> subprocess.Popen[str]:
    """Start a render of many minutes, and wait until it writes."""
    places = {"TMPDIR": str(folder.parent), "UNDERBOW_CACHE": str(folder.parent / "cache")}
    run = subprocess.Popen(
        [sys.executable, "-m", "underbow", "render", str(SHEET), "--voices", "builtin", "-o", str(folder), *words],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=os.environ | places,
    )  # fmt: skip
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and not any(map(_is_audio, folder.parent.rglob("*.part"))):
        time.sleep(0.02)
    return run


def _is_audio(part: Path) -> bool:
    with suppress(OSError):
        return part.stat().st_size > 200_000
    return False


def assert_whole(folder: Path) -> None:
    """Nothing but whole files, or not even the folder: the MIDI files, which are made first, may be there, and no audio yet."""
    for path in folder.rglob("*"):
        assert path.suffix == ".mid", path
        assert mido.MidiFile(path).length > 60


@pytest.mark.parametrize(("name", "status"), [("SIGINT", 130), ("SIGTERM", 143), ("SIGHUP", 129)])
def test_a_signal_ends_a_render_with_one_line_and_leaves_nothing(tmp_path: Path, name: str, status: int) -> None:
    folder = tmp_path / "out"
    run = begun(folder)
    run.send_signal(getattr(signal, name))
    time.sleep(0.2)  # of two at the same moment, either may be handled first
    run.send_signal(signal.SIGTERM)  # a second one soon after it, as a session that ends sends, disturbs nothing
    _, told = run.communicate(timeout=60)
    assert (run.returncode, told.splitlines()[-1:]) == (status, [STOPPED])
    assert_whole(folder)
    assert [path for path in tmp_path.rglob("*") if path.name.startswith(".underbow") or path.suffix == ".part"] == []
    kept = [path for path in (tmp_path / "cache").rglob("*") if path.is_file() and path.suffix != ".claim"]
    assert [path for path in kept if path.parent.parent.name != "strokes"] == []  # computed strokes are whole by then


def test_the_first_signal_gives_the_status_and_only_a_late_one_disturbs(monkeypatch: pytest.MonkeyPatch) -> None:
    now = 100.0
    monkeypatch.setattr(signals.time, "monotonic", lambda: now)
    listener = signals._Listener()
    with pytest.raises(signals.Stopped) as first:
        listener(signal.SIGINT, None)
    now += 2.5
    listener(signal.SIGTERM, None)
    now += 1
    with pytest.raises(signals.Stopped) as late:
        listener(signal.SIGTERM, None)
    assert (first.value.status, late.value.status) == (130, 130)


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


def test_an_end_without_a_word_is_told_by_a_witness_with_its_step(tmp_path: Path) -> None:
    run = begun(tmp_path / "out")
    run.send_signal(signal.SIGSEGV)  # as where a native library crashes, or the system wants its memory back
    _, told = run.communicate(timeout=60)  # the witness holds stderr open until it has spoken
    assert run.returncode == -signal.SIGSEGV
    why = "a library crashed, or the program was killed or ran out of memory"
    last = f"underbow: ended without a word while making the audio of Three Pegs on the Line: {why}"
    assert [line for line in told.splitlines() if not line.startswith("underbow: note")] == [last]


def test_a_witness_says_nothing_of_an_end_with_a_word(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "underbow", "render", "nothing.toml"], capture_output=True, text=True, check=False
    )
    assert (done.returncode, len(done.stderr.splitlines())) == (2, 1)


@pytest.mark.parametrize(
    "failure",
    [
        MemoryError(),
        RuntimeError("can't start new thread"),
        ImportError("x.so: failed to map segment from shared object"),
    ],
)
def test_a_want_of_memory_however_it_is_told_is_one_line(
    failure: Exception, capsys: pytest.CaptureFixture[str]
) -> None:
    @command
    def body() -> None:
        raise failure

    with pytest.raises(typer.Exit) as end:
        body()
    assert end.value.exit_code == 1
    assert capsys.readouterr().err == (
        "underbow: not enough memory; close other programs, or use fewer passes or a shorter tune\n"
    )


def test_a_fault_of_our_own_keeps_its_traceback() -> None:
    @command
    def body() -> None:
        raise RuntimeError("our own fault")

    with pytest.raises(RuntimeError, match="our own fault"):
        body()
