"""How much room the result of jobs will take, before hours are spent on what doesn't fit."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

from underbow.files.trouble import DiskError
from underbow.jobs.job import Job
from underbow.lesson.options import LessonOptions

__all__ = ["check_room", "estimate"]

_PACKED, _PACKED_MONO = 24_000, 14_000  # bytes a second of a track, as MP3 or Ogg
_FLAC = 0.6  # of a WAV
_WIDTHS = {16: 2, 24: 3, "float": 4}
_PAGE = 30_000  # a second, of a practice page
_VIDEO = 40_000  # a second
_PAPERS = 500_000  # a sheet: print, notation, MIDI, words


def estimate(job: Job) -> int:
    """Estimate the bytes of a job's files.

    Parameters
    ----------
    job : Job

    Returns
    -------
    int
        Rather too many: within a factor of three of what comes out.
    """
    sound = job.sound
    wav = sound.rate * (1 if sound.mono else 2) * _WIDTHS[sound.bits]
    packed = _PACKED_MONO if sound.mono else _PACKED
    kinds = {"wav": wav, "flac": int(_FLAC * wav), "mp3": packed, "ogg": packed}
    second = sum(kinds[format] for format in set(sound.formats)) * job.tracks
    if sound.stems:
        second += 4 * sound.rate * _WIDTHS[sound.bits]  # four parts, mono
    if isinstance(job.options, LessonOptions):
        second = second * (2 if job.options.each_tempo else 1) + _PAGE
    if job.video is not None:  # and the track without loss that it is made from, while it is made
        lossless = 0 if {"wav", "flac"} & set(sound.formats) else int(_FLAC * wav) * job.tracks
        second += _VIDEO * job.tracks + lossless
    return int(second * job.seconds) + _PAPERS


def check_room(jobs: Sequence[Job], folder: Path, *, copies: int = 1) -> None:
    """See that there is room for the results.

    Parameters
    ----------
    jobs : sequence of Job
    folder : Path
        Where they will lie; it needn't be there yet.
    copies : int
        How often: twice where they are zipped as well.

    Raises
    ------
    DiskError
        If there isn't.
    """
    needed = sum(map(estimate, jobs)) * copies
    try:
        free = shutil.disk_usage(next(path for path in (folder, *folder.absolute().parents) if path.is_dir())).free
    except OSError:  # whoever writes there tells what is wrong
        return
    if needed > free:
        raise DiskError(
            f"this needs about {_size(needed)}, and {_size(free)} are free on the disk of {folder}; free some space, write to "
            "another disk, or take fewer sheets, mixes or formats"
        )


def _size(count: int) -> str:
    """Say a number of bytes.

    >>> _size(1_234_000), _size(31_000_000_000)
    ('1 MB', '31.0 GB')
    """
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count / 1e6:.0f} MB"
