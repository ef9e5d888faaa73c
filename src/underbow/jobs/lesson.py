"""A lesson: finished jobs put together in one folder with its manifest, and a zip of it; there as a whole or not at all."""

from __future__ import annotations

import hashlib
import json
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial, reduce
from pathlib import Path
from typing import Any, Literal

import underbow
from underbow.errors import InputError, UnderbowError
from underbow.files.names import safe_name
from underbow.files.ours import MADE_WITH, MANIFEST, inspect_folder, inspect_zip
from underbow.files.swap import Exchange, put_in_place, put_right
from underbow.files.trouble import folder_for, output_error, shown_as
from underbow.files.whole import digest, sync_folder, whole_file, write_whole
from underbow.files.workplace import Workplace, workplace
from underbow.jobs.gather import Gathered
from underbow.jobs.job import Job
from underbow.jobs.run import Finished
from underbow.jobs.size import check_room
from underbow.jobs.work import Way, do_jobs
from underbow.lesson.contents import contents_page, learner_text
from underbow.lesson.options import LessonOptions
from underbow.lesson.pack import make_zip

__all__ = ["CONTENTS", "Lesson", "Zips", "make_lesson"]

Zips = Literal["auto", "one", "each", "none"]

CONTENTS = "index.html"  # of a lesson of several sheets
_NEW, _ZIP = "new", "zip"  # in the workplace
_BARS_OF = 100  # sheets; a manifest of more doesn't list every bar that is played
_SENT = 20_000_000  # bytes that most mail takes


@dataclass(frozen=True, slots=True)
class Lesson:
    """A finished lesson.

    Parameters
    ----------
    title : str
    folder : Path
    zip : Path or None
        Of all of it; None where each sheet has its own, or there is none.
    files : int
        In the folder, but for the manifest.
    told : tuple of str
        Lines worth telling the user.
    kept : tuple of str
        Files that were the user's own or changed by her, as they are called now.
    """

    title: str
    folder: Path
    zip: Path | None
    files: int
    told: tuple[str, ...]
    kept: tuple[str, ...]

    def manifest(self) -> dict[str, Any]:
        """Read the manifest: ``title``, ``made_with``, ``sheets`` where they were named, ``files``, and ``parts``, one a sheet.

        Each part is the report of its job, but for the ``bars`` where there are more than 100 sheets.
        """
        document: dict[str, Any] = json.loads((self.folder / MANIFEST).read_bytes())
        return document


def make_lesson(
    gathered: Gathered,
    folder: Path,
    way: Way = Way(),
    *,
    title: str = "",
    again: bool = False,
    zips: Zips = "auto",
    sheets: Sequence[str] = (),
) -> Lesson:
    """Make a lesson of one sheet or several.

    Parameters
    ----------
    gathered : Gathered
        At least one job, each with :class:`~underbow.lesson.options.LessonOptions`, in the order of the lesson.
    folder : Path
        Appears under its name when all of it is finished; the zip beside it has the same name. Where it is a link, the folder
        that it leads to.
    way : Way
    title : str
        Where it is empty, the first sheet's, and how many more there are.
    again : bool
        Whether an earlier lesson in this folder may be replaced. What somebody added to it moves over; what somebody
        changed is kept beside the new as ``NAME (changed by you)``.
    zips : {"auto", "one", "each", "none"}
        One zip of all beside the folder; one of each sheet, in the folder; or none. By itself, one where it can be sent (up to
        20 MB), or where there is one sheet.
    sheets : sequence of str
        What whoever asks calls the sheets; noted in the manifest, so that a lesson of the same ones can be told from another.

    Raises
    ------
    InputError
        Before anything has changed: also where what is there isn't a lesson of ours.
    UnderbowError
        If a job or the disk fails, another run is at the same lesson, or something appeared under its name meanwhile. What
        was there is as it was; the jobs that were finished are kept.
    StoppedError
        If ``way.stop`` was set.
    """
    folder = folder.resolve() if folder.is_symlink() else folder
    lesson = _Lesson(folder, title or gathered.title, sheets)
    if folder.parent.is_dir():
        put_right(folder.parent)
    lesson.look(again=again)
    check_room(gathered.jobs, folder.parent, copies=1 if zips == "none" else 2)
    busy = f"another run is making {folder}; try again when it has finished"
    with folder_for(folder.parent), workplace(folder.parent, lesson.key, busy=busy) as place:
        before = lesson.look(again=again)
        try:
            (place.folder / _NEW).mkdir()
            for done in do_jobs(gathered, place.folder, folder, way):
                lesson.take_in(place, done.finished, _place(done.job, done.number, len(gathered.jobs)))
            zips = lesson.settle(place, gathered.jobs, zips)
            remarks, count = lesson.complete(place, gathered.jobs, each_zipped=zips == "each")
            if zips == "one":
                make_zip(place.folder / _NEW, place.folder / _ZIP, folder.name)
                remarks += lesson.too_large(place, gathered.jobs)
        except OSError as error:
            raise output_error(error, folder) from error
        except UnderbowError as error:
            named = (place.folder / _NEW, folder), (place.folder / _ZIP, lesson.zip), (place.folder, folder.parent)
            raise reduce(lambda shown, pair: shown_as(shown, *pair), named, error) from error
        lesson.look_again(before)
        exchanges = [
            Exchange(_NEW, folder.name, "folder"),
            Exchange(_ZIP if zips == "one" else "", lesson.zip.name, "zip"),
        ]
        changed = put_in_place(place, exchanges)
    return Lesson(lesson.title, folder, lesson.zip if zips == "one" else None, count, remarks, changed)


class _Lesson:
    """A lesson on its way."""

    def __init__(self, folder: Path, title: str, sheets: Sequence[str]) -> None:
        self.folder, self.title, self.sheets = folder, title, list(sheets)
        self.zip = folder.with_name(folder.name + ".zip")
        named = unicodedata.normalize("NFC", folder.name).casefold()  # one name where case makes no difference
        self.key = hashlib.sha256(named.encode(errors="surrogateescape")).hexdigest()[:12]

    def look(self, *, again: bool) -> tuple[bool, bool]:
        """Tell whether folder and zip are there; refuse what isn't ours, or may not be replaced."""
        there = inspect_folder(self.folder), inspect_zip(self.zip)
        for path, is_there in zip((self.folder, self.zip), there, strict=True):
            if is_there and not again:
                raise InputError(f"{path} already exists; add --again to replace it, or name another folder with -o")
        return there

    def look_again(self, before: tuple[bool, bool]) -> None:
        """Refuse what came under our name while we worked."""
        try:
            after = inspect_folder(self.folder), inspect_zip(self.zip)
        except InputError as error:
            raise UnderbowError(f"{error}; what was made is kept for the next run") from error
        for path, was, now in zip((self.folder, self.zip), before, after, strict=True):
            if now and not was:
                raise UnderbowError(
                    f"{path} appeared while the lesson was made; left untouched; name another folder with -o: what was "
                    "made is kept, and the next run takes it over"
                )

    def take_in(self, place: Workplace, finished: Finished, home: str) -> None:
        """Move a job's files to their place in the lesson; its report stays where it is."""
        new = place.folder / _NEW
        if home:
            finished.files.rename(new / home)
        else:
            for path in finished.files.iterdir():
                path.rename(new / path.name)

    def settle(self, place: Workplace, jobs: tuple[Job, ...], zips: Zips) -> Zips:
        """Choose what is zipped, where nobody has, and make the zips that lie in the folder."""
        if zips == "auto":
            size = sum(file["bytes"] for part in self._parts(place, jobs) for file in part["files"])
            zips = "one" if len(jobs) == 1 or size <= _SENT else "each"
        if zips == "each" and len(jobs) == 1:
            zips = "one"
        if zips == "each":
            for part in self._parts(place, jobs):
                home = place.folder / _NEW / part["place"]
                readme = {"README.txt": learner_text(part["title"], [part | {"place": ""}])}
                make_zip(home, home.with_name(f"{part['place']}.zip"), part["place"], readme)
        return zips

    def _parts(self, place: Workplace, jobs: tuple[Job, ...]) -> Iterator[dict[str, Any]]:
        """Read the reports, again each time: those of thousands of sheets needn't be in memory at once."""
        for number, job in enumerate(jobs):
            report = Finished(place.folder / f"{number:05d}").report()
            home = _place(job, number, len(jobs))
            files = [file | {"path": f"{home}/{file['path']}" if home else file["path"]} for file in report["files"]]
            yield {"place": home} | report | {"files": files}

    def complete(self, place: Workplace, jobs: tuple[Job, ...], *, each_zipped: bool) -> tuple[tuple[str, ...], int]:
        """Write what belongs to no single sheet; give what there is to tell, and the number of files."""
        new = place.folder / _NEW
        parts = partial(self._parts, place, jobs)
        papers = {"README.txt": learner_text(self.title, parts())}
        if len(jobs) > 1:
            papers[CONTENTS] = contents_page(self.title, parts())
        top = [{"path": path, "kind": "text", "sha256": write_whole(new / path, text)} for path, text in papers.items()]
        if each_zipped:
            top += [{"path": path.name, "kind": "zip", "sha256": digest(path)} for path in sorted(new.glob("*.zip"))]
        remarks: dict[str, None] = {}
        count = len(top)
        with whole_file(new / MANIFEST) as part, part.open("w", encoding="utf-8", newline="\n") as out:
            head: dict[str, Any] = {"title": self.title, "made_with": MADE_WITH + underbow.__version__}
            if self.sheets:
                head["sheets"] = self.sheets
            out.write(json.dumps(head, ensure_ascii=False, indent=1)[:-2] + ',\n "files": [')
            for number, file in enumerate(top):
                out.write(("," if number else "") + "\n  " + json.dumps(file, ensure_ascii=False))
            for sheet in parts():
                count += len(sheet["files"])
                remarks |= dict.fromkeys(sheet["told"])
                out.writelines(",\n  " + json.dumps(file, ensure_ascii=False) for file in sheet["files"])
            out.write('\n ],\n "parts": [')
            for number, sheet in enumerate(parts()):
                if len(jobs) > _BARS_OF:
                    sheet.pop("bars")
                out.write(("," if number else "") + "\n  " + json.dumps(sheet, ensure_ascii=False))
            out.write("\n ]\n}\n")
        for path in (new, *(path for path in new.rglob("*") if path.is_dir())):
            sync_folder(path)
        return tuple(remarks), count

    def too_large(self, place: Workplace, jobs: tuple[Job, ...]) -> tuple[str, ...]:
        """Say where the one zip is too large to mail, and what of all that is in it could be left out."""
        size = (place.folder / _ZIP).stat().st_size
        if size <= _SENT:
            return ()
        there = {
            "mixes": any(job.tracks > 1 for job in jobs),
            "the tracks of each tempo": any(
                isinstance(job.options, LessonOptions) and job.options.each_tempo for job in jobs
            ),
            "the parts alone": any(job.sound.stems for job in jobs),
            "formats": any(len(job.sound.formats) > 1 for job in jobs),
            "the video": any(job.video for job in jobs),
        }
        cures = [f"leave out {part}" for part, is_there in there.items() if is_there] + ["write fewer passes"]
        return (f"{self.zip} has {size / 1e6:.0f} MB, too large for many mailboxes (20 MB): {' or '.join(cures)}",)


def _place(job: Job, number: int, count: int) -> str:
    """Name a sheet's folder below the lesson's: none for a single one, else numbered and named."""
    return "" if count == 1 else f"{number + 1:0{max(2, len(str(count)))}d} {safe_name(job.title)}"
