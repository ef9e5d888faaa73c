"""What browsers run in: a sound server that plays into nothing, a display that nobody sees, somebody who gives windows focus."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

Program = Callable[[str], str]


@contextmanager
def sound_server(program: Program, folder: Path) -> Iterator[None]:
    """Run a sound server whose loudspeaker is nowhere, as the environment's own until the end."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    with _environment(XDG_RUNTIME_DIR=str(folder), PULSE_SERVER=f"unix:{folder}/pulse/native", HOME=str(folder)):
        command = [
            program("pulseaudio"), "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "--disallow-exit",
            "--load=module-null-sink", "--load=module-native-protocol-unix auth-anonymous=1",
        ]  # fmt: skip
        with _running(command, stdout=subprocess.DEVNULL):
            _until((folder / "pulse" / "native").exists)
            yield


@contextmanager
def display(program: Program) -> Iterator[None]:
    """Run a display that nobody sees."""
    read, write = os.pipe()
    command = [program("Xvfb"), "-displayfd", str(write), "-screen", "0", "1700x1300x24", "-nolisten", "tcp"]
    with _running(command, pass_fds=[write]):
        os.close(write)
        with os.fdopen(read) as told:
            number = told.readline().strip()
        with _environment(DISPLAY=f":{number}", WEBKIT_DISABLE_SANDBOX_THIS_IS_DANGEROUS="1", GDK_BACKEND="x11"):
            yield


@contextmanager
def window(program: Program) -> Iterator[None]:
    """Run a display that nobody sees, with somebody who gives windows the focus, so that a page can be used by keys alone."""
    with display(program), _running([program("matchbox-window-manager")]):
        yield


@contextmanager
def _running(command: list[str], **options: Any) -> Iterator[None]:
    """Run a program, silent, until the end."""
    running = subprocess.Popen(command, stderr=subprocess.DEVNULL, **options)
    try:
        yield
    finally:
        running.terminate()
        running.wait(20)


@contextmanager
def _environment(**values: str) -> Iterator[None]:
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _until(true: Callable[[], bool], seconds: float = 15) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "nothing happens"
        time.sleep(0.05)
