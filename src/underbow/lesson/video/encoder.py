"""The encoder: an ffmpeg of this machine or of the package that carries one, run as a program of its own and watched.

It takes pictures through a pipe and joins them with the track, the chapters, the subtitles and a cover. Whatever befalls
it ends in one line: it can be missing, be killed, come to an end early, find the disk full, or stand still.
"""

from __future__ import annotations

import errno
import re
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from threading import Event, Thread
from typing import IO, Any

from underbow.errors import InputError, UnderbowError
from underbow.files.trouble import output_error
from underbow.lesson.video.boxes import is_whole
from underbow.steps import step
from underbow.text import one_line

__all__ = ["Encoder", "Pipe", "find_encoder", "pipe"]

PATIENCE = 60.0  # seconds without a picture taken; the slowest machine takes one in a fraction of one
_ASKING = 30.0  # seconds for it to say what it is
_MISSING = (
    "a video needs ffmpeg with H.264 (libx264); install it from your system's packages, or with "
    "pip install 'underbow[video]'"
)


@dataclass(frozen=True, slots=True)
class Encoder:
    """An ffmpeg that can make our videos.

    Parameters
    ----------
    path : str
    version : str
    licence : str
        As it was built.
    """

    path: str
    version: str
    licence: str

    @property
    def name(self) -> str:
        """What it is, for reports: without where it lies."""
        return f"ffmpeg {self.version}"


def find_encoder() -> Encoder:
    """Find an encoder: on the PATH, else the one that ``imageio-ffmpeg`` carries.

    Raises
    ------
    InputError
        If there is none that has H.264 and AAC.
    """
    for path in _candidates():
        found = _inspected(path)
        if found is not None:
            return found
    raise InputError(_MISSING)


def _candidates() -> Iterator[str]:
    found = shutil.which("ffmpeg")
    if found is not None and Path(found).absolute().parent != Path.cwd():  # Windows looks in the working folder first
        yield found
    try:
        import imageio_ffmpeg  # noqa: PLC0415  an extra

        yield imageio_ffmpeg.get_ffmpeg_exe()
    except (ImportError, RuntimeError):  # RuntimeError: it carries none for this system
        return


@cache
def _inspected(path: str) -> Encoder | None:
    """See what an ffmpeg is; None where it doesn't run or lacks an encoder."""
    try:
        version, encoders = (_answer(path, asked) for asked in ("-version", "-encoders"))
    except (OSError, subprocess.SubprocessError):
        return None
    if not re.search(r"\blibx264\b", encoders) or not re.search(r"\baac\b", encoders):
        return None
    number = re.search(r"ffmpeg version (\S+)", version)
    nonfree, gpl, three = (f"--enable-{word}" in version for word in ("nonfree", "gpl", "version3"))
    licence = "GPL-3.0-or-later" if three else "GPL-2.0-or-later" if gpl else "LGPL-2.1-or-later"
    return Encoder(path, number[1] if number else "?", "not to be redistributed" if nonfree else licence)


def _answer(path: str, asked: str) -> str:
    run = subprocess.run(  # noqa: S603  a path that was found, no shell
        [path, "-hide_banner", asked], capture_output=True, timeout=_ASKING, check=True, stdin=subprocess.DEVNULL
    )
    return run.stdout.decode(errors="replace")


@contextmanager
def pipe(
    encoder: Encoder, command: Sequence[str], part: Path, path: Path, *, patience: float = PATIENCE
) -> Iterator[Pipe]:
    """Run an encoder, and hand pictures to it; at the end wait until it has finished.

    Parameters
    ----------
    encoder : Encoder
    command : sequence of str
        What follows the program's name.
    part : Path
        The file that it writes.
    path : Path
        What the file is going to be called, for messages.
    patience : float
        Seconds that it may stand still.

    Raises
    ------
    UnderbowError
        If it can't be started, ends early, stands still, or leaves a file that isn't whole. It has ended in any case.
    """
    with step("encoding a video"), tempfile.TemporaryFile() as told:
        try:
            process = subprocess.Popen(  # noqa: S603  as above
                [encoder.path, *command], stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=told
            )
        except OSError as error:
            raise UnderbowError(f"{encoder.name} can't be started: {error.strerror or error}; {_MISSING}") from error
        open_pipe = Pipe(process, encoder, part, path, told=told, patience=patience)
        try:
            yield open_pipe
            open_pipe.finish()
        finally:
            open_pipe.end()


class Pipe:
    """An encoder at work, with a watch that ends it when it stands still."""

    def __init__(
        self,
        process: subprocess.Popen[bytes],
        encoder: Encoder,
        part: Path,
        path: Path,
        *,
        told: IO[bytes],
        patience: float,
    ) -> None:
        self._process, self._encoder, self._told, self._patience = process, encoder, told, patience
        self._part, self._path = part, path
        self._alive, self._ended, self._stuck = time.monotonic(), Event(), False
        self._watch = Thread(target=self._look, daemon=True, name="underbow-video-watch")
        self._watch.start()

    def _look(self) -> None:
        while not self._ended.wait(min(self._patience / 4, 1.0)):
            if time.monotonic() - self._alive > self._patience:
                self._stuck = True
                self._process.kill()
                return

    def write(self, picture: Any) -> None:
        """Hand over a picture.

        Raises
        ------
        UnderbowError
            If it can't be taken.
        """
        assert self._process.stdin is not None  # noqa: S101  asked for
        try:
            self._process.stdin.write(picture)
        except OSError as error:
            self._process.wait()
            raise self._trouble() from error
        self._alive = time.monotonic()

    def finish(self) -> None:
        """Tell it that there are no more pictures, and wait.

        Raises
        ------
        UnderbowError
            If it fails.
        """
        assert self._process.stdin is not None  # noqa: S101
        try:
            self._process.stdin.close()
        except OSError as error:
            self._process.wait()
            raise self._trouble() from error
        if self._process.wait() != 0 or not is_whole(self._part):  # some end well without having written all
            raise self._trouble()

    def end(self) -> None:
        """Leave nothing behind."""
        self._ended.set()
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        self._watch.join()
        if self._process.stdin is not None:
            with suppress(OSError):  # what was left in it has nowhere to go
                self._process.stdin.close()

    def _trouble(self) -> UnderbowError:
        """Say what happened to it."""
        name, path = self._encoder.name, self._path
        if self._stuck:
            return UnderbowError(
                f"can't write {path}: {name} stood still for {self._patience:g} seconds and was ended; try again, or "
                "install another ffmpeg"
            )
        self._told.seek(0)
        lines = [one_line(line, 200) for line in self._told.read(20_000).decode(errors="replace").splitlines()]
        for number, words in (
            (errno.ENOSPC, "No space left"),
            (errno.EDQUOT, "quota exceeded"),
            (errno.EFBIG, "File too large"),
        ):
            if any(words.lower() in line.lower() for line in lines):
                return output_error(OSError(number, words), path)
        status = self._process.returncode
        if status == 0 and not any(lines):
            return UnderbowError(
                f"can't write {path}: what {name} wrote isn't whole; try again, or install another ffmpeg"
            )
        if (status is not None and status < 0) or not any(lines):
            return UnderbowError(f"can't write {path}: {name} was ended by the system (status {status}); try again")
        said = next(line for line in reversed(lines) if line)
        return UnderbowError(f"can't write {path}: {name} failed: {said}")
