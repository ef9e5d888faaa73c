"""Takes: what somebody played along with a sheet, kept beside it where it was recorded here, and judged at once."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from underbow.desk.folder import Folder
from underbow.desk.paper.reading import beside
from underbow.ear.listen import listen
from underbow.ear.report import Heard
from underbow.errors import InputError
from underbow.files.names import safe_name
from underbow.files.whole import write_whole
from underbow.files.workplace import scratch
from underbow.lesson.heard.page import make_heard_page
from underbow.track.mixes import Mix
from underbow.track.performance import Performance
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet

__all__ = ["Takes"]

_ENDINGS = (".wav", ".flac", ".ogg", ".mp3", ".m4a", ".webm", ".aif", ".aiff", ".opus", ".aac", ".mp4", ".3gp", ".oga")
_MOST_NUMBERS = 1000


@dataclass(slots=True)
class Takes:
    """The takes of a run of the desk."""

    folder: Folder
    voices: str
    _pages: set[str] = field(default_factory=set)
    _one: threading.Lock = field(default_factory=threading.Lock)

    def judge(self, name: str, sheet: Sheet, file: str, data: bytes, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Hold a take against its sheet.

        Parameters
        ----------
        name : str
            The sheet's.
        sheet : Sheet
        file : str
            The recording's own name; its ending says what it is.
        data : bytes
            The recording.
        wanted : mapping
            ``recorded``: whether it was recorded here, and is to be kept; ``levels``: dB of each part that was heard, None for
            out; ``bar``, ``time``, ``pass`` and ``at``: which bar line was heard at which second of the take, where that was
            measured.

        Returns
        -------
        dict
            ``verdict``, ``why``, ``passes``, ``advice``, ``page`` (the name of the page that says it all) and ``take`` (of the
            recording, None where it wasn't kept).

        Raises
        ------
        InputError
            Where it is no recording that can be read.
        """
        ending = PurePosixPath(file.replace("\\", "/")).suffix.lower()
        if ending not in _ENDINGS:
            raise InputError(f"{file[:80]}: not a recording; choose a wav, flac, ogg, mp3, m4a or webm file")
        recorded = bool(wanted.get("recorded"))
        with self._one:
            stem = self._free(name, PurePosixPath(file).stem if not recorded else "")
            kept = f"{stem}.wav" if recorded else None
            if kept is not None:
                write_whole(self.folder.place(kept), data)
            with scratch() as place:
                path = place / f"take{ending}"
                path.write_bytes(data)
                try:
                    heard, shown = self._heard(sheet, wanted, path), (kept or file)
                except InputError as wrong:
                    said = (fault.what.replace(f"{path}: ", "") for fault in wrong.faults)
                    raise InputError(*(f"{kept or file[:80]}: {what}" for what in said)) from None
            page = f"{stem}.html"
            write_whole(self.folder.place(page), make_heard_page(sheet, heard, take=PurePosixPath(shown).name))
            self._pages.add(page)
        return {
            "verdict": heard.verdict,
            "why": heard.why,
            "passes": heard.passes(),
            "advice": [advice.to_json() for advice in heard.advice],
            "page": page,
            "take": kept,
        }

    def has_page(self, name: str) -> bool:
        """Whether a page is one that this run has made."""
        return name in self._pages

    def _heard(self, sheet: Sheet, wanted: Mapping[str, Any], path: Path) -> Heard:
        performance = perform(sheet)
        levels = wanted.get("levels")
        known = {part.name for part in performance.parts}
        mix = sheet.mixes[0]
        if isinstance(levels, dict) and any(_decibels(levels.get(part)) is not None for part in known):
            mix = Mix("desk", tuple((part, (_decibels(levels.get(part)),)) for part in sorted(known - {"tuning"})))
        return listen(path, performance, mix, voices=self.voices, near=_near(performance, sheet, wanted))

    def _free(self, name: str, called: str) -> str:
        """Give a name without ending that neither a take nor a page beside the sheet has."""
        own = PurePosixPath(name).stem + (f"-{safe_name(called, longest=60)}" if called else "-take")
        for number in range(1, _MOST_NUMBERS):
            stem = beside(name, own if number == 1 and called else f"{own}-{number}")
            if not any(self.folder.place(stem + ending).exists() for ending in (".wav", ".html")):
                return stem
        raise InputError(f"{_MOST_NUMBERS} takes are beside this sheet; delete those that nobody needs")


def _near(performance: Performance, sheet: Sheet, wanted: Mapping[str, Any]) -> float | None:
    """Second of the take at which the track begins, from a bar line that was heard at a known one."""
    at, number, bar, time = (wanted.get(key) for key in ("at", "pass", "bar", "time"))
    if not isinstance(at, int | float) or not all(isinstance(value, int) for value in (number, bar, time)):
        return None
    place = next((one.start for one in sheet.melody.bars if (one.number, one.time) == (bar, time)), None)
    played = next((one for one in performance.passes if one.number == number), None)
    if place is None or played is None:
        return None
    return float(at) - performance.tempo.seconds(played.start + place)


def _decibels(level: object) -> float | None:
    return float(level) if isinstance(level, int | float) and -60 <= level <= 12 else None
