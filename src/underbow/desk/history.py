"""What was changed, so that it can be taken back and done again: for the whole session, also after the page is loaded anew.

An entry holds what each file was before and is after. Taking it back writes what was before, provided that the
files are still what the entry left: what somebody else changed meanwhile is not overwritten.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from underbow.desk.folder import Folder

__all__ = ["Entry", "History"]

MOST_BYTES = 32_000_000  # kept for one sheet
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
