"""What was changed, so that it can be taken back and done again, also after the page is loaded or the desk is started anew.

An entry holds what each file was before and is after. Taking it back writes what was before, provided that the
files are still what the entry left: what somebody else changed meanwhile is not overwritten.

From one run to the next the latest changes of each sheet are kept in the user's cache folder. What doesn't fit the files any
more, or can't be read, is as if it had never been.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from underbow.desk.folder import Folder
from underbow.errors import InputError, UnderbowError
from underbow.files.caches import cache_folder
from underbow.files.whole import write_whole

__all__ = ["Entry", "Histories", "History"]

MOST_BYTES = 32_000_000  # kept for one sheet
_MOST_LATER = 400_000  # of these, from one run to the next
_OLDEST = 60 * 86_400  # seconds since the last change of a sheet
Files = Mapping[str, bytes | None]


@dataclass(frozen=True, slots=True)
class Entry:
    """One change: what the files held before it and after it; None where there was no file."""

    before: Files
    after: Files

    @property
    def size(self) -> int:
        """Bytes that it keeps."""
        return sum(len(content or b"") for files in (self.before, self.after) for content in files.values())


@dataclass(slots=True)
class History:
    """The changes of one sheet.

    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as place:
    ...     folder, history = Folder(Path(place)), History()
    ...     history.change(folder, {"a.toml": b"one"}, {"a.toml": None})
    ...     history.change(folder, {"a.toml": b"two"}, {"a.toml": b"one"})
    ...     back = history.move(folder, "back"), folder.read("a.toml")
    ...     back, history.move(folder, "forth"), folder.read("a.toml"), history.move(folder, "forth")
    ((True, b'one'), True, b'two', False)
    """

    done: list[Entry] = field(default_factory=list)
    taken_back: list[Entry] = field(default_factory=list)

    def change(self, folder: Folder, after: Files, before: Files) -> None:
        """Write files and keep what they were.

        Raises
        ------
        ChangedElsewhereError, InputError, UnderbowError
            As :meth:`Folder.write`; the history is as before then.
        """
        entry = Entry({name: before.get(name) for name in after}, dict(after))
        folder.write(after, before)
        if entry.before == entry.after:
            return
        self.done.append(entry)
        self.taken_back.clear()
        while len(self.done) > 1 and sum(step.size for step in self.done) > MOST_BYTES:
            del self.done[0]

    def move(self, folder: Folder, way: Literal["back", "forth"]) -> bool:
        """Take the last change back, or do again what was taken back; False where there is none.

        Raises
        ------
        ChangedElsewhereError, InputError, UnderbowError
            As :meth:`Folder.write`.
        """
        source, target = (self.done, self.taken_back) if way == "back" else (self.taken_back, self.done)
        if not source:
            return False
        entry = source[-1]
        now, then = (entry.after, entry.before) if way == "back" else (entry.before, entry.after)
        folder.write(then, now)
        target.append(source.pop())
        return True


def _usual() -> Path | None:
    """Where this user's are kept, without those that are old."""
    place = cache_folder("undo")
    if place is None:
        return None
    with suppress(OSError):
        for path in place.glob("*.json"):
            if time.time() - path.stat().st_mtime > _OLDEST:
                path.unlink(missing_ok=True)
    return place


@dataclass(slots=True)
class Histories:
    """The changes of all sheets of a folder.

    Parameters
    ----------
    folder : Folder
    place : Path or None
        Where they are kept from one run to the next; by default below the user's cache folder.

    Whatever goes wrong with what is kept, the desk goes on without it.
    """

    folder: Folder
    place: Path | None = field(default_factory=_usual)
    _known: dict[str, History] = field(default_factory=dict)

    def of(self, name: str) -> History:
        """Give the changes of a sheet; what the files aren't any more as it left them is no part of them."""
        if name not in self._known:
            self._known[name] = self._found(name)
        return self._known[name]

    def keep(self, name: str) -> None:
        """Keep the latest changes of a sheet for the next run."""
        if self.place is None:
            return
        history = self.of(name)
        lists = {way: _latest(entries) for way, entries in (("done", history.done), ("taken_back", history.taken_back))}
        with suppress(OSError, UnderbowError):
            self.place.mkdir(mode=0o700, parents=True, exist_ok=True)
            write_whole(self._file(name), json.dumps(lists))

    def forget(self, name: str) -> None:
        """Begin afresh with a sheet that is new."""
        self._known[name] = History()
        if self.place is not None:
            with suppress(OSError):
                self._file(name).unlink(missing_ok=True)

    def _file(self, name: str) -> Path:
        assert self.place is not None  # noqa: S101  asked by the caller
        key = hashlib.sha256(os.fsencode(self.folder.path) + b"\0" + name.encode()).hexdigest()[:40]
        return self.place / f"{key}.json"

    def _found(self, name: str) -> History:
        try:
            lists = json.loads(self._file(name).read_bytes()) if self.place is not None else {}
            done, taken_back = ([_entry(one) for one in lists.get(way, ())] for way in ("done", "taken_back"))
        except (OSError, ValueError, TypeError, AttributeError, RecursionError):
            return History()
        return History(
            done if done and self._are(done[-1].after) else [],
            taken_back if taken_back and self._are(taken_back[-1].before) else [],
        )

    def _are(self, files: Files) -> bool:
        try:
            return all(self.folder.found(name) == content for name, content in files.items())
        except InputError:
            return False


def _latest(entries: list[Entry]) -> list[list[dict[str, str | None]]]:
    """Write the latest of some changes as plain data; bytes as the characters of the same number."""
    out: list[list[dict[str, str | None]]] = []
    size = 0
    for entry in reversed(entries):
        size += entry.size
        if size > _MOST_LATER:
            break
        out.append(
            [
                {name: None if content is None else content.decode("latin-1") for name, content in files.items()}
                for files in (entry.before, entry.after)
            ]
        )
    return out[::-1]


def _entry(written: Any) -> Entry:
    before, after = (
        {str(name): None if text is None else text.encode("latin-1") for name, text in files.items()}
        for files in written
    )
    return Entry(before, after)
