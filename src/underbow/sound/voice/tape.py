"""A voice whose sounds are kept in a temporary file: what was sounded for the first stream is read for the second.

Reading a sound is far cheaper than making it where a voice computes it, and a file doesn't count as memory. The file has no
name where the system allows that, and lies in the output folder, so that nothing stays and nothing is written elsewhere.
"""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from underbow.files.trouble import make_folder, output_error
from underbow.sound.voice.voices import Action, Remembered, Samples, SideBySide, Voice

__all__ = ["Taped", "sounding_once"]

_ROOM = 1 << 30
_LATEST = 1 << 20  # bytes of sounds kept in memory too


@contextmanager
def sounding_once(voice: Voice, folder: Path) -> Iterator[Voice]:
    """Give a voice that makes every sound once: the latest are kept in memory, all of them on a tape in a folder.

    Raises
    ------
    UnderbowError
        If nothing can be written there.
    """
    make_folder(folder)
    try:
        tape = Taped(voice, folder)
    except OSError as error:
        raise output_error(error, folder / "audio") from error
    with tape:
        yield Remembered(tape, _LATEST)


class Taped:
    """A voice with a tape. Use it as a context manager; safe for several threads.

    Parameters
    ----------
    voice : Voice
        What isn't mono is passed through.
    folder : Path
    room : int
        Bytes that the tape may hold; what comes after is made anew each time.
    """

    def __init__(self, voice: Voice, folder: Path, room: int = _ROOM) -> None:
        self._voice, self._room = voice, room
        # Unbuffered: what a full disk refuses would wait in a buffer, and fail whatever is done next.
        self._file = tempfile.TemporaryFile(buffering=0, dir=folder, prefix=".underbow-", suffix=".part")  # noqa: SIM115
        self._places: dict[Action, tuple[int, int]] = {}
        self._end = 0
        self._lock = threading.Lock()

    @property
    def name(self) -> str:
        """The voice's own name."""
        return self._voice.name

    @property
    def rate(self) -> int:
        """Frames a second."""
        return self._voice.rate

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def sounds(self, action: Action) -> Samples:
        """Give the samples of an action, from the tape where they are there."""
        with self._lock:
            place = self._places.get(action)
            if place is not None:
                self._file.seek(place[0])
                return np.frombuffer(self._file.read(place[1]), np.float32)
        samples = self._voice.sounds(action)
        self._record(action, samples)
        return samples

    def prepare(self, actions: Iterable[Action]) -> None:
        """Put some actions on the tape that the voice sounds quicker side by side."""
        if isinstance(self._voice, SideBySide):
            with self._lock:
                if self._end > self._room // 2:  # of a very long track: what was is over
                    self._places.clear()
                    self._end = 0
            for action, samples in self._voice.side_by_side([a for a in actions if a not in self._places]):
                self._record(action, samples)

    def _record(self, action: Action, samples: Samples) -> None:
        with self._lock:
            if samples.ndim == 1 and action not in self._places and self._end + samples.nbytes <= self._room:
                if self._written(samples):
                    self._places[action] = (self._end, samples.nbytes)
                    self._end += samples.nbytes
                else:  # the disk is full: go on without, the audio itself will tell if it can't be written
                    self._room = 0

    def _written(self, samples: Samples) -> bool:
        with suppress(OSError):
            self._file.seek(self._end)
            return self._file.write(samples.tobytes()) == samples.nbytes
        return False
