"""What browsers run in: a sound server that plays into nothing, a display that nobody sees, somebody who gives windows focus."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

Program = Callable[[str], str]


@contextmanager
def sound_server(program: Program, folder: Path) -> Iterator[None]:
    """Run a sound server whose loudspeaker is nowhere, as the environment's own until the end."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    with _environment(XDG_RUNTIME_DIR=str(folder), PULSE_SERVER=f"unix:{folder}/pulse/native", HOME=str(folder)):
        server = subprocess.Popen(
            [program("pulseaudio"), "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "--disallow-exit",
             "--load=module-null-sink", "--load=module-native-protocol-unix auth-anonymous=1"],
            stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            _until((folder / "pulse" / "native").exists)
            yield
        finally:
            server.terminate()
            server.wait(20)


@contextmanager
def display(program: Program) -> Iterator[None]:
    """Run a display that nobody sees."""
    read, write = os.pipe()
    server = subprocess.Popen(
        [program("Xvfb"), "-displayfd", str(write), "-screen", "0", "1700x1300x24", "-nolisten", "tcp"],
        pass_fds=[write],
        stderr=subprocess.DEVNULL,
    )
    os.close(write)
    try:
        with os.fdopen(read) as told:
            number = told.readline().strip()
        with _environment(DISPLAY=f":{number}", WEBKIT_DISABLE_SANDBOX_THIS_IS_DANGEROUS="1", GDK_BACKEND="x11"):
            yield
    finally:
        server.terminate()
        server.wait(20)


@contextmanager
def window(program: Program) -> Iterator[None]:
    """Run a display that nobody sees, with somebody who gives windows the focus, so that a page can be used by keys alone."""
    with display(program):
        manager = subprocess.Popen([program("matchbox-window-manager")], stderr=subprocess.DEVNULL)
        try:
            yield
        finally:
            manager.terminate()
            manager.wait(20)


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
