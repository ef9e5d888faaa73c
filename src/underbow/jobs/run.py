"""Do one job: bytes in, files and a report out, all in a folder that is given."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Event
from typing import Any

from underbow.errors import InputError, UnderbowError
from underbow.files.ours import is_inside
from underbow.files.trouble import make_folder
from underbow.files.whole import digest, write_whole
from underbow.files.workplace import scratch
from underbow.jobs.film import add_videos, tracks_of_video
from underbow.jobs.job import Job
from underbow.jobs.recorded import prepare
from underbow.lesson.facts import facts_of
from underbow.lesson.options import LessonOptions, usual_mix
from underbow.lesson.sheet import make_sheet
from underbow.sound.choose import choose_voice
from underbow.sound.options import RenderOptions
from underbow.sound.render import render_files
from underbow.track.performance import Performance
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet

__all__ = ["FILES", "REPORT", "Finished", "StoppedError", "run_job"]

REPORT = "report.json"
FILES = "files"
_SOUNDING = 0.3  # share of the work, where videos are made as well


class StoppedError(UnderbowError):
    """Somebody asked for the work to stop."""


@dataclass(frozen=True, slots=True)
class Finished:
    """A folder that holds a finished job: its files below ``files/``, its report beside them.

    Parameters
    ----------
    folder : Path
    """

    folder: Path

    @property
    def files(self) -> Path:
        """The folder of the job's files."""
        return self.folder / FILES

    def report(self) -> dict[str, Any]:
        """Read the report: ``stamp``, ``title``, ``key``, ``meter``, ``facts``, ``mixes``, ``files``, and what a render tells.

        Every file has its ``path`` below :attr:`files`, with ``/`` between folders, its ``kind``, ``sha256`` and ``bytes``,
        and where it is sound ``mix``, ``rate``, ``frames``, ``seconds``, ``lufs`` and ``dbtp``.
        """
        document: dict[str, Any] = json.loads((self.folder / REPORT).read_text("utf-8"))
        return document

    def is_whole(self, stamp: str) -> bool:
        """Whether this is the job of that stamp, and every file still is what the report says."""
        try:
            report = self.report()
            return report["stamp"] == stamp and all(
                is_inside(file["path"]) and digest(self.files / file["path"]) == file["sha256"]
                for file in report["files"]
            )
        except (OSError, ValueError, KeyError, TypeError):
            return False


def run_job(
    job: Job,
    folder: Path,
    *,
    places: Mapping[str, Path] | None = None,
    progress: Callable[[float], None] | None = None,
    stop: Event | None = None,
) -> Finished:
    """Do a job.

    Parameters
    ----------
    job : Job
    folder : Path
        Made where it isn't there, and the caller's to clear away where the job fails.
    places : mapping of str to Path
        Where the job's SoundFonts lie on this machine, by their digests.
    progress : callable, optional
        Told the share done, 0 to 1.
    stop : threading.Event, optional
        Once it is set the job ends as soon as it can.

    Returns
    -------
    Finished
        The report is written last: where it is there, all of it is.

    Raises
    ------
    InputError, UnderbowError
        If the sheet is wrong, a SoundFont can't be played, or a file can't be written.
    StoppedError
        If ``stop`` was set.
    """

    def tell(share: float) -> None:
        if stop is not None and stop.is_set():
            raise StoppedError(f"{job.title}: stopped")
        if progress is not None:
            progress(share)

    tell(0.0)
    files = folder / FILES
    make_folder(files)
    sheet = job.read(folder)
    remarks: tuple[str, ...] = ()
    if sheet.recording is None:
        document = _made(job, (sheet, perform(sheet)), files, places or {}, tell)
    else:
        with scratch() as place:
            prepared = prepare(sheet, _laid_out(job, sheet.recording.file, place), place)
            sheet, remarks = prepared.sheet, prepared.told
            performance = replace(perform(sheet), recorded=prepared.recorded)
            document = _made(job, (sheet, performance), files, places or {}, tell)
    listed = [_listed(files, file) for file in document["files"]]
    report = document | {
        "stamp": job.stamp,
        "key": str(sheet.tune.key),
        "meter": str(sheet.tune.meter),
        "facts": facts_of(sheet),
        "mixes": [mix.name for mix in job.chosen(sheet)],
        "files": sorted(listed, key=lambda file: file["path"]) if isinstance(job.options, LessonOptions) else listed,
        "told": [*remarks, *document["told"]],
    }
    write_whole(folder / REPORT, json.dumps(report, ensure_ascii=False) + "\n")
    return Finished(folder)


def _made(
    job: Job,
    performed: tuple[Sheet, Performance],
    files: Path,
    places: Mapping[str, Path],
    tell: Callable[[float], None],
) -> dict[str, Any]:
    """Make the files; give their report."""
    sheet, performance = performed
    mixes = job.chosen(sheet)
    sound, remark = _voiced(job, performance, places)
    sound = replace(sound, loudness=sheet.loudness)
    sounding = _SOUNDING if job.video else 1.0

    def sounded(share: float) -> None:
        tell(sounding * share)

    if isinstance(job.options, LessonOptions):
        options = replace(job.options, sound=tracks_of_video(sound) if job.video else sound)
        filmed = options.chosen(mixes)
        document = make_sheet(sheet, performance, mixes, files, options=options, progress=sounded)
    else:
        filmed = mixes if job.mixes else usual_mix(mixes)
        asked = tracks_of_video(sound) if job.video else sound
        document = render_files(performance, mixes, files, asked, progress=sounded).to_json()
    if job.video:
        document = add_videos(
            document, sheet, performance, filmed, files, sound=sound, options=job.video,
            progress=lambda share: tell(sounding + (1 - sounding) * share),
        )  # fmt: skip
    return document | {"told": [line for line in (remark, *document["told"]) if line]}


def _laid_out(job: Job, name: str, folder: Path) -> Path:
    """Write one of the job's files into a folder."""
    path = folder / f"recording{Path(name).suffix}"
    path.write_bytes(dict(job.files)[name])
    return path


def _listed(files: Path, file: Mapping[str, Any]) -> dict[str, Any]:
    """Describe a file by its path below the job's own folder."""
    path = Path(file["path"])
    inside = path.relative_to(files) if path.is_absolute() or path.is_relative_to(files) else path
    figures = {key: value for key, value in file.items() if key not in ("path", "kind", "sha256")}
    return {
        "path": inside.as_posix(),
        "kind": file["kind"],
        "sha256": file["sha256"],
        "bytes": (files / inside).stat().st_size,
        **figures,
    }


def _voiced(job: Job, performance: Performance, places: Mapping[str, Path]) -> tuple[RenderOptions, str]:
    """Settle which of the job's SoundFonts plays; what there is to tell of it."""
    trouble = ""
    for bank in job.banks:
        path = places.get(bank.sha256)
        if path is None:
            trouble = f"the SoundFont {bank.name} isn't on this machine"
            continue
        try:
            with closing(choose_voice(performance, "soundfont", soundfont=path, rate=job.sound.rate)):
                return replace(job.sound, voices="soundfont", soundfont=path), ""
        except InputError as wrong:
            trouble = str(wrong).replace(str(path), bank.name)  # where it lies differs from machine to machine
    if job.sound.voices == "soundfont":
        raise InputError(trouble or "there is no SoundFont to play; install one, or use --voices builtin")
    remark = f"sound: built-in voices; for a SoundFont: {trouble}" if trouble else ""
    return replace(job.sound, voices="builtin", soundfont=None), remark
