"""A job: one sheet with everything that it is made from, as bytes, so that any machine can do it and come to the same.

What a job makes follows from its *stamp* alone: the bytes that go in, what is asked for, and the versions of what decides the
bytes that come out. A job's result names no path of the machine on which it was made.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from underbow.errors import InputError, near_miss
from underbow.files.trouble import make_folder, output_error
from underbow.files.workplace import scratch
from underbow.jobs.versions import encoder_version, versions
from underbow.lesson.options import LessonOptions
from underbow.lesson.video.options import VideoOptions
from underbow.sound.options import RenderOptions
from underbow.tables import read_table
from underbow.track.mixes import Mix
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet

__all__ = ["Bank", "Job", "Options"]

Options = RenderOptions | LessonOptions
GIVEN = "given"  # in a job's folder, while its sheet is read


@dataclass(frozen=True, slots=True)
class Bank:
    """A SoundFont as jobs know it: by what is in it, wherever it lies.

    Parameters
    ----------
    sha256 : str
        Of the file, in hexadecimal.
    name : str
        The file's name, for reports.
    """

    sha256: str
    name: str


@dataclass(frozen=True, slots=True)
class Job:
    """One sheet, to be rendered or to become a part of a lesson.

    Parameters
    ----------
    title : str
        The sheet's.
    name : str
        The sheet's file name, without a folder, as faults name it.
    sheet : bytes
        The track sheet, TOML in UTF-8.
    files : tuple of (str, bytes)
        Every file that the sheet names, under the name that it has there.
    options : RenderOptions or LessonOptions
        Which of the two says what is made. Its SoundFont is left open: ``banks`` says which.
    mixes : tuple of str
        Names of the mixes; all of the sheet's where it is empty.
    banks : tuple of Bank
        SoundFonts to try in turn; none where built-in voices play.
    seconds : float
        Length of one track, to estimate by.
    tracks : int
        Number of mixes that become audio files.
    video : VideoOptions, optional
        Whether videos are made too, and how they look.
    """

    title: str
    name: str
    sheet: bytes
    files: tuple[tuple[str, bytes], ...]
    options: Options
    mixes: tuple[str, ...] = ()
    banks: tuple[Bank, ...] = ()
    seconds: float = 0.0
    tracks: int = 1
    video: VideoOptions | None = None

    @property
    def sound(self) -> RenderOptions:
        """What is asked of the tracks."""
        return self.options if isinstance(self.options, RenderOptions) else self.options.sound

    @property
    def stamp(self) -> str:
        """A digest, in hexadecimal, of all that decides the bytes of the result: equal stamps, equal files."""
        asked = asdict(self.options) | {"kind": type(self.options).__name__}
        asked.get("sound", asked).pop("kept")  # decides how quickly it is made, and nothing else
        content = [
            self.name,
            hashlib.sha256(self.sheet).hexdigest(),
            [[name, hashlib.sha256(data).hexdigest()] for name, data in self.files],
            asked,
            self.mixes,
            [asdict(bank) for bank in self.banks],
            versions(fluidsynth=bool(self.banks)),
        ]
        if self.video is not None:
            content += [asdict(self.video), encoder_version()]
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()

    def read(self, folder: Path | None = None) -> Sheet:
        """Read the sheet from the job's own bytes, and nothing else.

        Parameters
        ----------
        folder : Path, optional
            Where its files may lie while it is read; a temporary folder otherwise.

        Raises
        ------
        InputError
            If the sheet is wrong, or names a file that isn't among the job's.
        """
        table = read_table(self.sheet.decode(), self.name)
        if not self.files:
            return build_sheet(table, None, self.name)
        if folder is None:
            with scratch() as place:
                return self.read(place)
        place_of_files = folder / GIVEN
        try:
            for name, data in self.files:
                make_folder((place_of_files / name).parent)
                (place_of_files / name).write_bytes(data)
            return build_sheet(table, place_of_files, self.name)
        except OSError as error:
            raise output_error(error, place_of_files) from error
        finally:
            shutil.rmtree(place_of_files, ignore_errors=True)

    def chosen(self, sheet: Sheet) -> tuple[Mix, ...]:
        """Choose the job's mixes from its sheet's."""
        return chosen_mixes(sheet, self.mixes)

    def lean(self) -> Job:
        """The job without what each machine says for itself: where a SoundFont lies that the user named."""
        sound = self.sound
        if sound.soundfont is None:
            return self
        sound = replace(sound, soundfont=None, voices="soundfont")
        return replace(
            self, options=sound if isinstance(self.options, RenderOptions) else replace(self.options, sound=sound)
        )


def chosen_mixes(sheet: Sheet, names: tuple[str, ...]) -> tuple[Mix, ...]:
    """Choose mixes by name; capitals and surrounding spaces don't matter.

    Raises
    ------
    InputError
        If the sheet has no mix of that name; the message lists those that it has.
    """
    if not names:
        return sheet.mixes
    known = {mix.name.casefold(): mix for mix in sheet.mixes}
    wrong = [name for name in names if name.strip().casefold() not in known]
    if wrong:
        listed = ", ".join(f'"{mix.name}"' for mix in sheet.mixes)
        hint = near_miss(wrong[0].casefold(), known)
        raise InputError(f"{sheet.title}: no mix {wrong[0]!r}{hint}; it has {listed}")
    return tuple(known[name] for name in dict.fromkeys(name.strip().casefold() for name in names))
