"""Lessons made at the desk: one at a time, its progress told, to be stopped at any moment."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from underbow.desk.folder import Folder
from underbow.errors import InputError, UnderbowError
from underbow.files import safe_name
from underbow.lesson.lesson import make_lesson
from underbow.lesson.options import LessonOptions
from underbow.track.sheet.read import read_sheet

__all__ = ["Lessons", "Making"]

HOME = "lessons"  # of the teacher's folder
_KEPT = 50


class _StoppedError(Exception):
    """The teacher has stopped it."""


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

    def tell(self, what: str, share: float) -> None:
        """Note how far it is; ends it where it was stopped."""
        if self._stop.is_set():
            raise _StoppedError
        if share - self.share >= 0.002 or what != self.what:
            self._say(what=what, share=share)

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

    def run(self, folder: Folder, names: Sequence[str], options: LessonOptions) -> None:
        """Make it."""
        try:
            sheets = [_read(folder, name) for name in names]
            home = folder.path / HOME
            home.mkdir(exist_ok=True)
            target = home / safe_name(self.title)
            made = make_lesson(
                sheets, target, options=options, title=self.title, again=target.exists(), progress=self.tell
            )
            self._say(state="made", share=1.0, what="", files=list(_files(made.manifest, target, made.zip)))
        except _StoppedError:
            self._say(state="stopped", what="")
        except UnderbowError as error:
            self._say(state="failed", what=str(error))
        except OSError as error:
            self._say(state="failed", what=error.strerror or str(error))
        except Exception as error:  # the page must hear of it, whatever it was
            self._say(state="failed", what=f"{type(error).__name__}: {error}")
            raise


@dataclass(slots=True)
class Lessons:
    """The lessons of a run, each by a key that can't be guessed."""

    folder: Folder
    _known: OrderedDict[str, Making] = field(default_factory=OrderedDict)
    _one: threading.Lock = field(default_factory=threading.Lock)

    def begin(self, names: Sequence[str], title: str, options: LessonOptions) -> str:
        """Begin a lesson of these sheets; give its key.

        Raises
        ------
        InputError
            Where a sheet has problems, before anything is made.
        """
        if not names:
            raise InputError("choose at least one sheet")
        for name in names:
            _read(self.folder, name)
        making = Making(" ".join(title.split())[:100] or _read(self.folder, names[0]).title)
        key = secrets.token_urlsafe(9)
        self._known[key] = making
        while len(self._known) > _KEPT:
            self._known.popitem(last=False)

        def work() -> None:
            with self._one:  # two at once would only be slower
                making.run(self.folder, names, options)

        threading.Thread(target=work, name="desk-lesson", daemon=True).start()
        return key

    def get(self, key: str) -> Making | None:
        """Give a lesson by its key; None where there is none."""
        return self._known.get(key)

    def stop(self) -> None:
        """Stop whatever is on its way."""
        for making in self._known.values():
            making.stop()


def _read(folder: Folder, name: str) -> Any:
    """Read a sheet to the last word, its problems naming it as the teacher knows it."""
    try:
        return read_sheet(folder.place(name))
    except InputError as wrong:
        raise InputError(*(str(fault).replace(str(folder.path) + "/", "") for fault in wrong.faults)) from None


def _files(manifest: dict[str, Any], folder: Path, packed: Path) -> Iterator[dict[str, Any]]:
    """What is a click away: the zip, then each sheet's paper and page."""
    yield {"path": packed.name, "kind": "zip", "sheet": "", "bytes": packed.stat().st_size}
    for part in manifest["parts"]:
        for file in part["files"]:
            if file["kind"] in ("handout", "page"):
                path = folder / file["path"]
                yield {
                    "path": f"{folder.name}/{file['path']}",
                    "kind": file["kind"],
                    "sheet": part["title"],
                    "bytes": path.stat().st_size,
                }
