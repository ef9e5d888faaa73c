"""A tune written down from a recording that came to the desk: a draft, until it is put on the stand."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Any

from underbow.desk.news import Underway
from underbow.desk.played.tape import Arrived
from underbow.ear.writing.write import Given, Written, write_down
from underbow.errors import InputError, UnderbowError
from underbow.jobs.recorded import MOST_SECONDS
from underbow.text import signs
from underbow.theory.meter import Meter

__all__ = ["Writing", "Writings"]

_KEPT = 4


@dataclass(slots=True)
class Writing(Underway):
    """A tune that is being written down: ``making``, ``written``, ``refused`` or ``stopped``.

    Attributes
    ----------
    written : Written or None
        Once it is.
    """

    written: Written | None = None

    def shown(self) -> dict[str, Any]:
        """Give plain data for the page: of a tune that is written, ``key meter tempo beat`` and ``told``, what is in doubt."""
        out = Underway.shown(self)
        if self.written is None:
            return out
        tune, (_, *told) = self.written.tune, self.written.told
        key = signs(f"{tune.key.tonic} {tune.key.mode}")
        out |= {"key": key, "meter": str(tune.meter), "told": told}
        if tune.tempo is not None:
            out |= {"tempo": round(float(tune.tempo.count)), "beat": tune.tempo.beat_name}
        return out

    def run(self, arrived: Arrived, given: Given, one: threading.Lock) -> None:
        """Listen and write."""
        try:
            with one:  # two at once would only be slower
                if self._stop.is_set():
                    return
                written = write_down(arrived.path, given, title=self.title, longest=MOST_SECONDS)
        except UnderbowError as wrong:
            said = [fault.what for fault in wrong.faults] if isinstance(wrong, InputError) else [str(wrong)]
            self.end("refused", "; ".join(one.removeprefix(f"{arrived.path}: ") for one in said))
        except Exception as error:  # the page must hear of it, whatever it was
            self.end("refused", f"it can't be listened to: {type(error).__name__}")
            raise
        else:
            self.end("written", written=written)
        finally:
            arrived.close()


@dataclass(slots=True)
class Writings:
    """The tunes that a run of the desk writes down, each by a key that can't be guessed; the latest are kept."""

    _known: OrderedDict[str, Writing] = field(default_factory=OrderedDict)
    _one: threading.Lock = field(default_factory=threading.Lock)

    def begin(self, arrived: Arrived, wanted: Mapping[str, Any]) -> str:
        """Write down a recording (``{"meter"}``, where the player says which); give its key.

        Raises
        ------
        InputError
            Where the meter can't be read.
        """
        given = Given()
        if wanted.get("meter"):
            try:
                given = Given(meter=Meter.parse(str(wanted["meter"])[:20]))
            except ValueError as error:
                raise InputError(str(error)) from None
        writing = Writing(PurePosixPath(arrived.file).stem[:100] or "Untitled")
        self._known[arrived.key] = writing
        while len(self._known) > _KEPT:
            self._known.popitem(last=False)[1].give_up()
        threading.Thread(target=writing.run, args=(arrived, given, self._one), name="desk-writing", daemon=True).start()
        return arrived.key

    def get(self, key: str) -> Writing | None:
        """Give one by its key; None where there is none."""
        return self._known.get(key)

    def text(self, key: str, title: str) -> str:
        """Give what was written, under a title.

        Raises
        ------
        InputError
            Where it isn't written, or no longer known.
        """
        writing = self._known.get(key)
        if writing is None or writing.written is None:
            raise InputError("this tune is no longer at hand; bring the recording again")
        called = " ".join(title.split())[:200] or writing.title
        return "\n".join(f"T:{called}" if line.startswith("T:") else line for line in writing.written.abc.split("\n"))

    def stop(self) -> None:
        """Stop what is on its way."""
        for writing in self._known.values():
            writing.give_up()
