"""The sheets as they are worked on: read, changed, taken back, all of it in the files and nowhere else."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from threading import RLock
from typing import Any, Literal

from underbow.desk.folder import ChangedElsewhereError, Folder
from underbow.desk.history import Files, Histories
from underbow.desk.paper.book import page_of
from underbow.desk.paper.edits import Edit, edited
from underbow.desk.paper.reading import Reading, beside, read_as_far, read_as_text
from underbow.desk.paper.view import version, view
from underbow.errors import InputError

__all__ = ["ElsewhereError", "Store"]

_SEEN = 40  # states of sheets that are remembered, to say what was changed elsewhere
_READINGS = 8  # sheets that are kept as they were worked out


class ElsewhereError(Exception):
    """A file was changed by somebody else; for each such file what the desk would have written and what it holds."""

    def __init__(self, files: Mapping[str, tuple[str, str]]) -> None:
        self.files = dict(files)
        super().__init__(", ".join(self.files))


@dataclass(slots=True)
class Store:
    """The sheets of a folder and their histories."""

    folder: Folder
    _histories: Histories = field(init=False)
    _seen: OrderedDict[tuple[str, str], Files] = field(default_factory=OrderedDict)
    _readings: OrderedDict[tuple[str, str], Reading] = field(default_factory=OrderedDict)
    _lock: RLock = field(default_factory=RLock)

    def __post_init__(self) -> None:
        self._histories = Histories(self.folder)

    def read(self, name: str) -> Reading:
        """Read a sheet as far as it goes, and remember what was seen of it; what hasn't changed since isn't worked out again."""
        state = version(read_as_text(self.folder, name))
        with self._lock:
            known = self._readings.get((name, state))
        if known is not None:
            return known
        reading = read_as_far(self.folder, name)
        state = version(reading)
        with self._lock:
            self._seen[name, state] = dict(reading.files)
            self._readings[name, state] = reading
            for kept, most in ((self._seen, _SEEN), (self._readings, _READINGS)):
                while len(kept) > most:
                    kept.popitem(last=False)
        return reading

    def show(self, name: str, *, narrow: bool = False) -> dict[str, Any]:
        """Lay a sheet out for the page, with what can be taken back and done again."""
        shown = view(self.read(name), narrow=narrow)
        history = self._histories.of(name)
        return shown | {"back": len(history.done), "forth": len(history.taken_back)}

    def change(self, name: str, seen: str, edits: Sequence[Edit]) -> None:
        """Write changes into a sheet.

        Parameters
        ----------
        name : str
        seen : str
            The version that the change is meant for.
        edits : sequence of Edit

        Raises
        ------
        ElsewhereError
            Where the sheet is another one by now. Nothing is written.
        InputError, UnderbowError
            Where it can't be changed or written.
        """
        with self._lock:
            reading = self._as_seen(name, seen)
            text = edited(_text(reading.get(name)), edits)
            self._write(name, {name: _bytes(text, reading.get(name))}, reading)

    def write(self, name: str, seen: str, files: Mapping[str, str]) -> None:
        """Write whole texts of files that belong to a sheet (its own, its tune, its patterns); raises as :meth:`change`."""
        with self._lock:
            reading = self._as_seen(name, seen)
            before = dict(reading) | {inner: self.folder.found(inner) for inner in files if inner not in reading}
            self._write(name, {inner: _bytes(text, before.get(inner)) for inner, text in files.items()}, before)

    def change_tune(self, name: str, seen: str, abc: str) -> None:
        """Write a sheet's tune where it stands: in its file, or in the sheet; raises as :meth:`change`."""
        reading = self.read(name)
        if reading.tune_name is not None:
            if not reading.tune_name.lower().endswith((".abc", ".txt")):
                raise InputError(f"{reading.tune_name} is no ABC; save the tune as ABC first")
            self.write(name, seen, {reading.tune_name: page_of(reading).with_text(abc)})
            return
        self.change(name, seen, [Edit(("abc",), abc), Edit(("compose",), None), Edit(("meter",), None)])

    def keep_pattern(self, name: str, seen: str, pattern: str, section: str | None, text: str) -> None:
        """Write a pattern of the teacher's own and let the sheet play it, in one step."""
        with self._lock:
            reading = self._as_seen(name, seen)
            file = beside(name, pattern)
            table = self.read(name).table
            edits = _with_pattern(table, pattern, section, self._sections(name))
            sheet = edited(_text(reading.get(name)), edits)
            before = dict(reading) | {file: self.folder.found(file)}
            self._write(name, {file: text.encode(), name: _bytes(sheet, reading.get(name))}, before)

    def _sections(self, name: str) -> list[str]:
        sheet = self.read(name).sheet
        return [section for section, _ in sheet.patterns] if sheet is not None else []

    def move(self, name: str, way: Literal["back", "forth"]) -> bool:
        """Take the last change back, or do again what was taken back; raises as :meth:`change`."""
        with self._lock:
            try:
                moved = self._histories.of(name).move(self.folder, way)
            except ChangedElsewhereError as elsewhere:
                raise ElsewhereError({inner: ("", self._now(inner)) for inner in elsewhere.names}) from None
            self._histories.keep(name)
            return moved

    def begin(self, name: str, files: Mapping[str, bytes]) -> None:
        """Write the files of a new sheet. That is no change of it: nothing that is taken back on a sheet takes the sheet away."""
        with self._lock:
            with self._told(files, {}):
                self.folder.write(files, dict.fromkeys(files))
            self._histories.forget(name)  # of a sheet that was called so before

    def _as_seen(self, name: str, seen: str) -> Files:
        files = self._seen.get((name, seen))
        if files is None:
            files = {name: None}
            if version(self.read(name)) == seen:  # pragma: no cover  seen long ago
                files = self._seen[name, seen]
        return files

    def _write(self, name: str, after: Mapping[str, bytes | None], before: Files) -> None:
        with self._told(after, before):
            self._histories.of(name).change(self.folder, after, before)
        self._histories.keep(name)

    @contextmanager
    def _told(self, after: Mapping[str, bytes | None], before: Files) -> Iterator[None]:
        """Say what the folder holds now, beside what was to be written, where somebody changed it meanwhile."""
        try:
            yield
        except ChangedElsewhereError as elsewhere:
            mine = {inner: _text(after.get(inner, before.get(inner))) for inner in elsewhere.names}
            raise ElsewhereError({inner: (text, self._now(inner)) for inner, text in mine.items()}) from None

    def _now(self, name: str) -> str:
        return _text(self.folder.found(name))


def _with_pattern(table: Mapping[str, Any], pattern: str, section: str | None, sections: Sequence[str]) -> list[Edit]:
    """Say which pattern the sheet plays, in one section or in all."""
    written = table.get("pattern")
    if section is None or len(sections) < 2:
        return [Edit(("pattern",), pattern)]
    if isinstance(written, dict):
        return [Edit(("pattern", section), pattern)]
    if isinstance(written, str):
        return [Edit(("pattern",), {one: pattern if one == section else written for one in sections})]
    return [Edit(("pattern", section), pattern)]


def _text(content: bytes | None) -> str:
    return "" if content is None else content.decode("utf-8-sig", errors="replace")


def _bytes(text: str, before: bytes | None) -> bytes:
    """Encode a text as its file was: with the mark that some editors put first, and its own line ends."""
    mark = b"\xef\xbb\xbf" if before is not None and before.startswith(b"\xef\xbb\xbf") else b""
    breaks = "\r\n" if before is not None and b"\r\n" in before else "\n"
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    return mark + plain.replace("\n", breaks).encode()
