"""Lessons made at the desk: one at a time, its progress told, to be stopped at any moment."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import count
from pathlib import Path
from typing import Any

from underbow.desk.folder import Folder
from underbow.desk.news import Underway
from underbow.desk.paper.reading import read_as_far
from underbow.desk.paper.view import problems_shown
from underbow.errors import Fault, InputError, UnderbowError
from underbow.files.names import safe_name
from underbow.files.ours import MANIFEST, read_manifest, zip_state
from underbow.files.swap import put_right
from underbow.jobs.gather import Gathered, gather
from underbow.jobs.lesson import CONTENTS, Lesson, make_lesson
from underbow.jobs.progress import Progress
from underbow.jobs.run import StoppedError
from underbow.jobs.work import Way
from underbow.lesson.options import LessonOptions
from underbow.lesson.video.options import VideoOptions

__all__ = ["Lessons", "Making"]

HOME = "lessons"  # of the teacher's folder
_KEPT = 50


@dataclass(slots=True)
class Making(Underway):
    """A lesson on its way: ``making``, ``made``, ``stopped`` or ``failed``.

    Attributes
    ----------
    sheets : tuple of str
        Their names, in the order of the lesson.
    place : str
        Of a finished lesson: its name below the lessons' folder.
    files : list of dict
        Of a finished lesson: ``path`` below the lessons' folder, ``kind``, ``sheet``.
    remarks : list of str
        What there is to tell of a finished lesson, in the words of the command line.
    """

    sheets: tuple[str, ...] = ()
    place: str = ""
    files: list[dict[str, Any]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def tell(self, progress: Progress) -> None:
        """Note how far it is."""
        if progress.share - self.share >= 0.002 or progress.title != self.what:
            self.say(what=progress.title, share=progress.share)

    def shown(self) -> dict[str, Any]:
        """Give plain data for the page."""
        return {**Underway.shown(self), "place": self.place, "files": self.files, "remarks": self.remarks}

    def run(self, folder: Folder, gathered: Gathered) -> None:
        """Make it."""
        target = _place(folder.path / HOME, self.title, self.sheets)
        try:
            way = Way(progress=self.tell, stop=self._stop)
            lesson = make_lesson(gathered, target, way, title=self.title, again=target.exists(), sheets=self.sheets)
            remarks = [_short(line, folder) for line in lesson.told]
            remarks += [f"kept from before: {name}" for name in lesson.kept]
            if target.name != safe_name(self.title):
                remarks.append(f"“{safe_name(self.title)}”, which was made before, stays as it is")
            self.say(state="made", share=1.0, what="", place=target.name, files=list(_files(lesson)), remarks=remarks)
        except StoppedError:
            self.say(state="stopped", what="")
        except UnderbowError as error:
            self.say(state="failed", what=_short(str(error), folder))
        except Exception as error:  # the page must hear of it, whatever it was
            if self._stop.is_set():  # as the desk ends, threads can't be begun any more: that is no trouble
                self.say(state="stopped", what="")
                return
            self.say(state="failed", what=f"{type(error).__name__}: {error}")
            raise


@dataclass(slots=True)
class Lessons:
    """The lessons of a run, each by a key that can't be guessed."""

    folder: Folder
    _known: OrderedDict[str, Making] = field(default_factory=OrderedDict)
    _one: threading.Lock = field(default_factory=threading.Lock)

    def begin(self, names: Sequence[str], title: str, options: LessonOptions, video: VideoOptions | None = None) -> str:
        """Begin a lesson of these sheets, with videos where they are asked for; give its key.

        Raises
        ------
        InputError
            Where a sheet has problems, before anything is made; they are told as on its paper, each with the sheet's title for a
            file and the part of the paper for where.
        """
        if not names:
            raise InputError("choose at least one sheet")
        try:
            gathered = gather([self.folder.place(name) for name in names], options, video=video)
        except InputError as wrong:
            faults = [fault for name in names for fault in _as_on_paper(self.folder, name)]
            raise InputError(*(faults or (_short(str(fault), self.folder) for fault in wrong.faults))) from None
        making = Making(" ".join(title.split())[:100] or gathered.title, sheets=tuple(names))
        key = secrets.token_urlsafe(9)
        self._known[key] = making
        while len(self._known) > _KEPT:
            self._known.popitem(last=False)

        def work() -> None:
            with self._one:  # two at once would only be slower
                making.run(self.folder, gathered)

        threading.Thread(target=work, name="desk-lesson", daemon=True).start()
        return key

    def get(self, key: str) -> Making | None:
        """Give a lesson by its key; None where there is none."""
        return self._known.get(key)

    def stop(self) -> None:
        """Stop whatever is on its way."""
        for making in self._known.values():
            making.stop()


def _as_on_paper(folder: Folder, name: str) -> Iterator[Fault]:
    """Say what is wrong with a sheet in the words that stand beside its place on the paper."""
    reading = read_as_far(folder, name)
    title = str(reading.table.get("title") or name)
    for problem in problems_shown(reading):
        place = f"bar {problem['bar']}: " if problem["bar"] else ""
        if not place and problem["line"] and problem["part"] == "tune":
            place = f"line {problem['line']}: "
        field = f".{problem['key']}" if problem["part"] == "head" and problem["key"] else ""
        yield Fault(place + problem["what"], file=title, where=problem["part"] + field)


def _place(home: Path, title: str, sheets: Sequence[str]) -> Path:
    """Find where a lesson goes: over one of the same sheets made today, else under a name that nothing has.

    What was made on another day may be in a learner's hands: it stays as it was handed out.
    """
    if home.is_dir():
        put_right(home)
    stem = safe_name(title)
    places = (home / (stem if number == 1 else f"{stem} {number}") for number in count(1))
    return next(place for place in places if _may_be_taken(place, sheets))


def _may_be_taken(place: Path, sheets: Sequence[str]) -> bool:
    packed = place.with_name(f"{place.name}.zip")
    there = [path.exists() or path.is_symlink() for path in (place, packed)]
    if not any(there):
        return True
    manifest = None if place.is_symlink() else read_manifest(place)
    if manifest is None or (there[1] and zip_state(packed) == "theirs"):
        return False
    named = manifest.get("sheets")
    if not isinstance(named, list) or sorted(map(str, named)) != sorted(sheets):
        return False
    return date.fromtimestamp((place / MANIFEST).stat().st_mtime) == date.today()


def _short(text: str, folder: Folder) -> str:
    """Name files as the teacher knows them: by their place in her folder."""
    return text.replace(f"{folder.path}/", "").replace(f"{folder.path}\\", "")


def _files(lesson: Lesson) -> Iterator[dict[str, Any]]:
    """What is a click away: the zip, a class's page of contents, then each sheet's paper, page and video."""
    manifest = lesson.manifest()
    if len(manifest["parts"]) > 1:
        size = (lesson.folder / CONTENTS).stat().st_size
        yield {"path": f"{lesson.folder.name}/{CONTENTS}", "kind": "contents", "sheet": "", "bytes": size}
    if lesson.zip is not None:
        yield {"path": lesson.zip.name, "kind": "zip", "sheet": "", "bytes": lesson.zip.stat().st_size}
    for file in manifest["files"]:
        if file["kind"] == "zip":
            size = (lesson.folder / file["path"]).stat().st_size
            yield {
                "path": f"{lesson.folder.name}/{file['path']}",
                "kind": "zip",
                "sheet": file["path"][:-4],
                "bytes": size,
            }
    for part in manifest["parts"]:
        for file in part["files"]:
            if file["kind"] in ("handout", "page", "video"):
                path = f"{lesson.folder.name}/{file['path']}"
                size = (lesson.folder / file["path"]).stat().st_size
                yield {"path": path, "kind": file["kind"], "sheet": part["title"], "bytes": size}
