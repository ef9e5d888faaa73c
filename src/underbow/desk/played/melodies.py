"""Recordings as the melody: listened to beside everything else, kept as long as they are used, and put on the sheet.

A recording is opened once, and laid on the tune anew whenever the tune or a bar line has changed; until it is, the sheet's
own instrument plays. Nothing that was heard is written anywhere: it is worked out again when the desk is opened again.
"""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from underbow.desk.folder import Folder
from underbow.desk.hear.voices import RATE
from underbow.desk.news import Underway
from underbow.desk.paper.edits import Edit
from underbow.desk.paper.reading import beside
from underbow.desk.played.laid import Lines, moved, shown
from underbow.desk.played.tape import Arrived, Tape
from underbow.ear.melody.heard import Alignment
from underbow.errors import InputError, UnderbowError
from underbow.files.names import safe_name
from underbow.jobs.recorded import Prepared, hear_recording, lay
from underbow.track.sheet.model import Sheet
from underbow.tune.tune import Tune

__all__ = ["Listening", "Melodies"]

_TAPES, _LAID, _ARRIVED, _WORKS = 3, 24, 4, 50  # kept at most
_MARK = "arrived "
Key = tuple[str, Tune, tuple[tuple[tuple[int, int], float], ...]]


class _StoppedError(Exception):
    """Nobody wants to know any more."""


@dataclass(slots=True)
class Listening(Underway):
    """A recording that is being listened to: ``making``, ``laid``, ``refused`` or ``stopped``.

    Attributes
    ----------
    key : str
        What the page calls it.
    wanted : tuple
        What it shall find out.
    """

    key: str = ""
    wanted: Key | None = None

    def tell(self, share: float) -> None:
        """Note how far it is; raise where it is to stop."""
        if self._stop.is_set():
            raise _StoppedError
        self.say(share=share)


@dataclass(slots=True)
class Melodies:
    """The recordings of a folder's sheets."""

    folder: Folder
    _tapes: OrderedDict[str, Tape] = field(default_factory=OrderedDict)
    _laid: OrderedDict[Key, Alignment | str] = field(default_factory=OrderedDict)
    _arrived: OrderedDict[str, Arrived] = field(default_factory=OrderedDict)
    _works: OrderedDict[str, Listening] = field(default_factory=OrderedDict)  # by the sheet's name, or as it arrived
    _lock: threading.RLock = field(default_factory=threading.RLock)
    _one: threading.Lock = field(default_factory=threading.Lock)
    _closed: bool = False

    def state(self, name: str, sheet: Sheet) -> dict[str, Any]:
        """Say what is known of a sheet's recording, and begin to listen where nothing is.

        Returns
        -------
        dict
            ``state``: ``none``; ``making`` (with the ``key`` of the listening); ``refused`` (with ``why``); or ``laid``, with
            what :func:`~underbow.desk.played.laid.shown` gives and, where it can't be played, ``why``.
        """
        named = sheet.recording
        if named is None:
            return {"state": "none"}
        key = self._key(name, sheet)
        with self._lock:
            found = self._found(key)
            if found is None:
                work = self._begin(name, sheet, key, self.folder.place(beside(name, named.file)))
                return {"state": "making", "key": work.key}
            tape = self._tapes.get(key[0])
        if isinstance(found, str):
            return {"state": "refused", "why": found}
        assert tape is not None  # noqa: S101  what is laid has its tape
        why, played = "", frozenset[tuple[int, int]]()
        try:
            played = lay(sheet, found, tape.samples, RATE).played
        except (InputError, OSError) as wrong:
            why = str(wrong)
        return {"state": "laid", "why": why} | shown(sheet, found, tape.notes, dict(named.bar_lines), played)

    def sounding(self, name: str, sheet: Sheet, lines: Lines) -> Prepared | None:
        """Give a sheet with its recording as it sounds, with some bar lines where they are just being moved to.

        None where it isn't known yet, or can't be played: then the sheet's own instrument plays.
        """
        if sheet.recording is None:
            return None
        key = self._key(name, sheet)
        with self._lock:
            found, tape = self._found(key), self._tapes.get(key[0])
            if found is None:  # a line was moved, and the desk has not yet listened again: as it lay before
                before = (self._found(other) for other in reversed(self._laid) if other[:2] == key[:2])
                found, lines = next(before, None), {**dict(sheet.recording.bar_lines), **lines}
        if tape is None or not isinstance(found, Alignment):
            return None
        with suppress(InputError, OSError):  # it may just be cleared away
            return lay(sheet, moved(found, lines), tape.samples, RATE)
        return None

    def hand_in(self, name: str, sheet: Sheet, arrived: Arrived, *, recorded: bool) -> dict[str, Any]:
        """Listen to a recording of a sheet's tune before it is put there.

        Parameters
        ----------
        name : str
            The sheet's.
        sheet : Sheet
        arrived : Arrived
        recorded : bool
            Whether it was recorded here: then it is kept at once, for there is no other.

        Returns
        -------
        dict
            ``listening``: its key; ``kept``: the name of its file, None where it isn't kept yet.
        """
        kept = None
        if recorded:
            kept = self._keep(name, arrived, f"{PurePosixPath(name).stem}-played")
            arrived.file = PurePosixPath(kept).name
        with self._lock:
            self._arrived[arrived.key] = arrived
            while len(self._arrived) > _ARRIVED:
                _, old = self._arrived.popitem(last=False)
                self._stop_work(old.key)
                old.close()
            self._begin(arrived.key, sheet, (_MARK + arrived.key, sheet.tune, ()), arrived.path)
        return {"listening": arrived.key, "kept": kept}

    def put(self, name: str, sheet: Sheet, key: str, by: str) -> list[Edit]:
        """Keep a recording that was listened to beside its sheet, and give the changes that let the sheet name it.

        Once they are made, :meth:`settle` ends it; until then it can be asked for again.

        Raises
        ------
        InputError
            Where it is none of this tune, or no longer known.
        UnderbowError
            Where it can't be written.
        """
        with self._lock:
            arrived = self._arrived.get(key)
            heard = None if arrived is None else self._laid.get((_MARK + arrived.key, sheet.tune, ()))
        if arrived is None or heard is None:
            raise InputError("this recording is no longer at hand; drop it on the sheet again")
        if isinstance(heard, str):
            raise InputError(heard)
        file = self.folder.found_as(beside(name, arrived.file), arrived.path)
        if file is None:
            file = self._keep(name, arrived, PurePosixPath(arrived.file).stem)
            arrived.file = PurePosixPath(file).name  # asked again, it is there
        written: list[Edit] = [Edit(("recording",), None), Edit(("recording", "file"), PurePosixPath(file).name)]
        return [*written, *([Edit(("recording", "by"), by)] if by else [])]

    def settle(self, name: str, sheet: Sheet, key: str) -> None:
        """Let what was heard of a recording that arrived be known of the sheet, which names it now."""
        if sheet.recording is None:
            return
        own = self._key(name, sheet)
        with self._lock:
            arrived = self._arrived.pop(key, None)
            if arrived is None:
                return
            tape = self._tapes.pop(_MARK + key, None)
            heard = self._laid.pop((_MARK + key, sheet.tune, ()), None)
            if tape is not None and heard is not None and not own[2]:
                self._tapes[own[0]], self._laid[own] = tape, heard
            elif tape is not None:
                tape.close()
        arrived.close()

    def _keep(self, name: str, arrived: Arrived, stem: str) -> str:
        plain = safe_name(stem, longest=60)
        return self.folder.add(beside(name, plain), arrived.path.suffix, arrived.path)

    def progress(self, key: str) -> Listening | None:
        """Give a listening by its key; None where there is none."""
        with self._lock:
            return next((work for work in self._works.values() if work.key == key), None)

    def leave(self, key: str) -> None:
        """Listen no longer to what was handed in, and clear it away."""
        with self._lock:
            arrived, tape = self._arrived.pop(key, None), self._tapes.pop(_MARK + key, None)
            if arrived is not None:
                self._stop_work(key)
                arrived.close()
            if tape is not None:
                tape.close()

    def stop(self) -> None:
        """Stop listening, and clear away what was opened."""
        with self._lock:
            self._closed = True
            for work in self._works.values():
                work.give_up()
            for tape in self._tapes.values():
                tape.close()
            for arrived in self._arrived.values():
                arrived.close()
            self._tapes.clear()
            self._arrived.clear()

    def _stop_work(self, slot: str) -> None:
        work = self._works.get(slot)
        if work is not None:
            work.give_up()

    def _key(self, name: str, sheet: Sheet) -> Key:
        """What decides how a recording lies: the file as it is, the tune, and what was set by hand."""
        assert sheet.recording is not None  # noqa: S101
        return self._mark(beside(name, sheet.recording.file)), sheet.tune, sheet.recording.bar_lines

    def _mark(self, file: str) -> str:
        try:
            is_now = self.folder.place(file).stat()
        except OSError:
            return f"{file} gone"
        return f"{file} {is_now.st_size} {is_now.st_mtime_ns} {is_now.st_ino}"

    def _found(self, key: Key) -> Alignment | str | None:
        found = self._laid.get(key)
        if isinstance(found, Alignment):
            if key[0] not in self._tapes:
                return None
            self._tapes.move_to_end(key[0])
        return found

    def _begin(self, slot: str, sheet: Sheet, key: Key, path: Path) -> Listening:
        """Listen in a thread of its own; what was begun for the same sheet and is no longer wanted stops."""
        with self._lock:
            before = self._works.get(slot)
            if before is not None and before.state == "making":
                if before.wanted == key:
                    return before
                before.give_up()
            arrived = slot in self._arrived
            work = Listening(sheet.title, key=slot if arrived else secrets.token_urlsafe(9), wanted=key)
            self._works[slot] = work
            self._works.move_to_end(slot)
            while len(self._works) > _WORKS:
                self._works.popitem(last=False)
        threading.Thread(target=self._listen, args=(work, sheet, key, path), name="desk-listening", daemon=True).start()
        return work

    def _listen(self, work: Listening, sheet: Sheet, key: Key, path: Path) -> None:
        mark, _, lines = key
        try:
            with self._one:  # two at once would only be slower
                work.tell(0.0)
                with self._lock:
                    tape = self._tapes.get(mark)
                if tape is None:
                    tape = Tape.opened(path, lambda share: work.tell(0.6 * share))
                    self._keep_tape(mark, tape)
                work.tell(0.6)
                found: Alignment | str = hear_recording(sheet, tape.recording, dict(lines))
        except _StoppedError:
            work.give_up()
            return
        except OSError as error:
            found = f"there is no room to listen to it: {error.strerror or error}"
        except UnderbowError as wrong:
            found = "; ".join(fault.what for fault in wrong.faults) if isinstance(wrong, InputError) else str(wrong)
        except Exception as error:  # the page must hear of it, whatever it was
            self._note(key, f"it can't be listened to: {type(error).__name__}")
            work.end("refused", f"it can't be listened to: {type(error).__name__}")
            raise
        self._note(key, found)
        if isinstance(found, str):
            work.end("refused", found)
        else:
            work.end("laid")

    def _note(self, key: Key, found: Alignment | str) -> None:
        with self._lock:
            self._laid[key] = found
            while len(self._laid) > _LAID:
                self._laid.popitem(last=False)

    def _keep_tape(self, mark: str, tape: Tape) -> None:
        with self._lock:
            self._tapes[mark] = tape
            spare: Sequence[str] = [one for one in self._tapes if one != mark]
            for old in spare[: max(len(self._tapes) - _TAPES, 0)]:
                self._tapes.pop(old).close()
            if self._closed:
                self._tapes.pop(mark).close()
