"""Lessons made at the desk: one at a time, its progress told, to be stopped at any moment."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from underbow.desk.folder import Folder
from underbow.errors import InputError, UnderbowError
from underbow.files.names import safe_name
from underbow.jobs.gather import Gathered, gather
from underbow.jobs.lesson import Lesson, make_lesson
from underbow.jobs.progress import Progress
from underbow.jobs.run import StoppedError
from underbow.jobs.work import Way
from underbow.lesson.options import LessonOptions
from underbow.lesson.video.options import VideoOptions

__all__ = ["Lessons", "Making"]

HOME = "lessons"  # of the teacher's folder
_KEPT = 50


@dataclass(slots=True)
class Making:
    """A lesson on its way.

    Attributes
    ----------
    state : str
        ``making``, ``made``, ``stopped`` or ``failed``.
    what : str
        What is being made, or why it failed.
    share : float
        0 to 1.
    files : list of dict
        Of a finished lesson: ``path`` below the lessons' folder, ``kind``, ``sheet``.
    """

    title: str
    state: str = "making"
    what: str = ""
    share: float = 0.0
    files: list[dict[str, Any]] = field(default_factory=list)
    _stop: threading.Event = field(default_factory=threading.Event)
    _news: threading.Condition = field(default_factory=threading.Condition)
    _count: int = 0

    def stop(self) -> None:
        """Let it end as soon as it can."""
        self._stop.set()

    def tell(self, progress: Progress) -> None:
        """Note how far it is."""
        if progress.share - self.share >= 0.002 or progress.title != self.what:
            self._say(what=progress.title, share=progress.share)

    def _say(self, **news: Any) -> None:
        with self._news:
            for name, value in news.items():
                setattr(self, name, value)
            self._count += 1
            self._news.notify_all()

    def news(self, patience: float = 10.0) -> Iterator[dict[str, Any]]:
        """Give its state now, whenever it changes, and at least every ``patience`` seconds, until it has ended."""
        seen = -1
        while True:
            with self._news:
                self._news.wait_for(lambda: self._count != seen, timeout=patience)  # noqa: B023
                seen = self._count
                now = self.shown()
            yield now
            if now["state"] != "making":
                return

    def shown(self) -> dict[str, Any]:
        """Give plain data for the page."""
        return {
            "title": self.title,
            "state": self.state,
            "what": self.what,
            "share": round(self.share, 3),
            "files": self.files,
        }

    def run(self, folder: Folder, gathered: Gathered) -> None:
        """Make it."""
        target = folder.path / HOME / safe_name(self.title)
        try:
            way = Way(progress=self.tell, stop=self._stop)
            lesson = make_lesson(gathered, target, way, title=self.title, again=target.exists())
            self._say(state="made", share=1.0, what="", files=list(_files(lesson)))
        except StoppedError:
            self._say(state="stopped", what="")
        except UnderbowError as error:
            self._say(state="failed", what=_short(str(error), folder))
        except Exception as error:  # the page must hear of it, whatever it was
            self._say(state="failed", what=f"{type(error).__name__}: {error}")
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
            Where a sheet has problems, before anything is made.
        """
        if not names:
            raise InputError("choose at least one sheet")
        try:
            gathered = gather([self.folder.place(name) for name in names], options, video=video)
        except InputError as wrong:
            raise InputError(*(_short(str(fault), self.folder) for fault in wrong.faults)) from None
        making = Making(" ".join(title.split())[:100] or gathered.jobs[0].title)
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


def _short(text: str, folder: Folder) -> str:
    """Name files as the teacher knows them: by their place in her folder."""
    return text.replace(f"{folder.path}/", "").replace(f"{folder.path}\\", "")


def _files(lesson: Lesson) -> Iterator[dict[str, Any]]:
    """What is a click away: the zip, then each sheet's paper, page and video."""
    manifest = lesson.manifest()
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
