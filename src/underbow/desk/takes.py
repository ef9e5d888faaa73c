"""Takes: what somebody played along with a sheet, kept beside it where it was recorded here, and judged at once."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path, PurePosixPath
from typing import Any

from underbow.desk.folder import Folder
from underbow.desk.paper.reading import beside
from underbow.desk.played.tape import Arrived
from underbow.ear.history import NAME, Progress, forget, recall, remember
from underbow.ear.listen import listen
from underbow.ear.report import Heard
from underbow.errors import InputError
from underbow.files.names import safe_name
from underbow.files.whole import digest, write_whole
from underbow.lesson.heard.page import make_heard_page
from underbow.track.mixes import Mix
from underbow.track.performance import Performance
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet

__all__ = ["Takes"]

_MOST_NUMBERS, _PAGES = 1000, 50
_LATEST = 4_102_444_800_000  # milliseconds: the year 2100


@dataclass(frozen=True, slots=True)
class _Judged:
    """A take, what it is called, what tells it from others, and when it was made."""

    heard: Heard
    take: str
    digest: str
    recorded: str


@dataclass(slots=True)
class Takes:
    """The takes of a run of the desk."""

    folder: Folder
    voices: str
    _pages: OrderedDict[str, _Judged] = field(default_factory=OrderedDict)
    _one: threading.Lock = field(default_factory=threading.Lock)

    def judge(self, name: str, sheet: Sheet, arrived: Arrived, wanted: Mapping[str, Any]) -> dict[str, Any]:
        """Hold a take against its sheet.

        Parameters
        ----------
        name : str
            The sheet's.
        sheet : Sheet
        arrived : Arrived
            The recording.
        wanted : mapping
            ``recorded``: whether it was recorded here, and is to be kept; ``levels``: dB of each part that was heard, None for
            out; ``bar``, ``time``, ``pass`` and ``at``: which bar line was heard at which second of the take, where that was
            measured.

        Returns
        -------
        dict
            ``verdict``, ``why``, ``passes``, ``advice``, ``page`` (the name of the page that says it all), ``take`` (of the
            recording, None where it wasn't kept) and ``remembered``, whether the history has it.

        Raises
        ------
        InputError
            Where it is no recording that can be read.
        """
        recorded = wanted.get("recorded") is True
        with self._one:
            stem = self._free(name, PurePosixPath(arrived.file).stem if not recorded else "")
            kept = self.folder.add(stem, arrived.path.suffix, arrived.path) if recorded else None
            stem = stem if kept is None else kept.removesuffix(arrived.path.suffix)
            shown = kept or arrived.file[:80]
            try:
                heard = self._heard(sheet, wanted, arrived.path)
            except InputError as wrong:
                said = (fault.what.replace(f"{arrived.path}: ", "") for fault in wrong.faults)
                raise InputError(*(f"{shown}: {what}" for what in said)) from None
            judged = _Judged(heard, PurePosixPath(shown).name, digest(arrived.path), _made(wanted.get("made")))
            history = None if recall(self._home(name), sheet.title) is None else self._remember(name, judged)
            page = f"{stem}.html"
            text = make_heard_page(sheet, heard, take=judged.take, history=history or ())
            write_whole(self.folder.place(page), text)
            self._pages[page] = judged
            while len(self._pages) > _PAGES:
                self._pages.popitem(last=False)
        return {
            "verdict": heard.verdict,
            "why": heard.why,
            "passes": heard.passes(),
            "advice": [advice.to_json() for advice in heard.advice],
            "page": page,
            "take": kept,
            "remembered": history is not None,
        }

    def history(self, name: str, sheet: Sheet) -> dict[str, Any]:
        """Say what is remembered of a sheet's takes.

        Returns
        -------
        dict
            ``kept``: whether the sheet's folder keeps a history; ``file``: its name; ``rows``, the earliest first, each with
            ``take recorded tempo beat judged strokes median_ms within_ms cents``.
        """
        found = recall(self._home(name), sheet.title)
        return {"kept": found is not None, "file": NAME, "rows": [asdict(row) for row in found or ()]}

    def remember(self, name: str, sheet: Sheet, page: str) -> dict[str, Any]:
        """Begin a history with a take that was just judged, or go on with it; all later ones are remembered as well.

        Raises
        ------
        InputError
            Where the take is no longer at hand.
        UnderbowError
            Where the history can't be written.
        """
        judged = self._pages.get(page)
        if judged is None:
            raise InputError("this take is no longer at hand; bring it again, and let it be remembered then")
        self._remember(name, judged)
        return self.history(name, sheet)

    def forget(self, name: str, sheet: Sheet) -> dict[str, Any]:
        """Forget the takes of a sheet."""
        forget(self._home(name), sheet.title)
        return self.history(name, sheet)

    def _home(self, name: str) -> Path:
        return self.folder.place(name).parent

    def _remember(self, name: str, judged: _Judged) -> tuple[Progress, ...]:
        one = judged
        return remember(self._home(name), one.heard, take=one.take, digest=one.digest, recorded=one.recorded)

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


def _made(milliseconds: object) -> str:
    """When a recording was made, as its owner's machine says; now where it doesn't, or says what can't be.

    >>> _made(1_900_000_000_000), _made("yesterday")[:2]
    ('2030-03-17T17:46:40+00:00', '20')
    """
    made = datetime.now(UTC)
    if isinstance(milliseconds, int) and 0 < milliseconds < _LATEST:
        made = datetime.fromtimestamp(milliseconds / 1000, UTC)
    return made.isoformat(timespec="seconds")


def _near(performance: Performance, sheet: Sheet, wanted: Mapping[str, Any]) -> float | None:
    """Second of the take at which the track begins, from a bar line that was heard at a known one."""
    at, number, bar, time = (wanted.get(key) for key in ("at", "pass", "bar", "time"))
    if (
        not isinstance(at, int | float)
        or not isfinite(at)
        or not all(isinstance(value, int) for value in (number, bar, time))
    ):
        return None
    place = next((one.start for one in sheet.melody.bars if (one.number, one.time) == (bar, time)), None)
    played = next((one for one in performance.passes if one.number == number), None)
    if place is None or played is None:
        return None
    return float(at) - performance.tempo.seconds(played.start + place)


def _decibels(level: object) -> float | None:
    return float(level) if isinstance(level, int | float) and -60 <= level <= 12 else None
