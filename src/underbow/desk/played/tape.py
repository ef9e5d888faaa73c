"""A recording that came to the desk, opened: as the ear looks at it, and as it sounds.

Its samples lie in a folder of their own in the system's temporary one, for as long as the desk keeps it.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from underbow.desk.hear.voices import RATE
from underbow.ear.melody.onsets import Sight
from underbow.ear.melody.salience import tuned_at
from underbow.ear.recording import Recording
from underbow.ear.writing.notes import Sounding, notes_of
from underbow.errors import InputError
from underbow.files.workplace import scratch
from underbow.jobs.recorded import eased, listened

__all__ = ["Arrived", "Tape", "ending_of"]

_ENDINGS = (".wav", ".flac", ".ogg", ".mp3", ".m4a", ".webm", ".aif", ".aiff", ".opus", ".aac", ".mp4", ".3gp", ".oga")


def ending_of(file: str) -> str:
    """Give the ending of a recording's name.

    Raises
    ------
    InputError
        Where it isn't one of a recording.

    >>> ending_of("Tuesday.WAV")
    '.wav'
    """
    ending = PurePosixPath(file.replace("\\", "/")).suffix.lower()
    if ending not in _ENDINGS:
        raise InputError(f"{file[:80]}: not a recording; choose a wav, flac, ogg, mp3, m4a or webm file")
    return ending


@dataclass(slots=True)
class Arrived:
    """A file that was sent to the desk, for the time being in a folder of its own.

    Parameters
    ----------
    file : str
        What its owner calls it.
    key : str
        What the page calls it; it can't be guessed.

    Raises
    ------
    InputError
        Where the name is no recording's.
    UnderbowError
        Where the temporary folder can't be written to.
    """

    file: str
    key: str = field(default_factory=lambda: secrets.token_urlsafe(9))
    path: Path = field(init=False)
    _place: ExitStack = field(default_factory=ExitStack)

    def __post_init__(self) -> None:
        self.file = PurePosixPath(self.file.replace("\\", "/")).name
        ending = ending_of(self.file)
        self.path = self._place.enter_context(scratch()) / f"recording{ending}"

    @contextmanager
    def kept_open(self) -> Iterator[None]:
        """Clear it away where what is done with it fails."""
        try:
            yield
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Clear it away."""
        self._place.close()


@dataclass(frozen=True, slots=True)
class Tape:
    """A recording, opened.

    Parameters
    ----------
    recording : Recording
        As the ear looks at it.
    notes : tuple of Sounding
        What is heard in it, whatever the tune may be.
    samples : Path
        As it sounds: float32, mono, :data:`~underbow.desk.hear.voices.RATE` frames a second, its noise eased.
    """

    recording: Recording
    notes: tuple[Sounding, ...]
    samples: Path
    _place: ExitStack

    @classmethod
    def opened(cls, path: Path, tell: Callable[[float], None]) -> Tape:
        """Open a recording.

        Parameters
        ----------
        path : Path
        tell : callable
            Told the share done, 0 to 1; what it raises ends the work.

        Raises
        ------
        InputError
            Where it can't be read, or is too long.
        UnderbowError
            Where there is no room for it.
        """
        with ExitStack() as place:
            folder = place.enter_context(scratch())
            recording = listened(path, folder)
            tell(0.3)
            samples, _ = eased(path, folder, RATE)
            tell(0.7)
            pitch, _ = tuned_at(recording.sound)
            notes = tuple(notes_of(Sight.of(recording.sound, pitch)))
            tell(1.0)
            return cls(recording, notes, samples, place.pop_all())

    def close(self) -> None:
        """Clear it away; what still plays of it goes on where the system lets it."""
        self._place.close()
