"""The voice of the desk: made ready when the desk begins, kept for as long as it is open."""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import Lock

from underbow.desk.hear.prompt import Prompt
from underbow.sound.choose import choose_voice
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet

__all__ = ["RATE", "Voices"]

RATE = 44_100  # frames a second of all that is heard at the desk
_KEPT = 3  # fiddles, by tuning and concert pitch


@dataclass(slots=True)
class Voices:
    """Voices for the fiddles of the folder's sheets, the last used kept.

    Parameters
    ----------
    kind : {"auto", "soundfont", "builtin"}
    """

    kind: str = "auto"
    _known: dict[tuple[object, ...], Prompt] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)

    def voice(self, sheet: Sheet) -> Prompt:
        """Give the voice for a sheet; opening a bank takes a while, so that it is best asked for before it is needed."""
        key = (sheet.tuning.midi, sheet.concert_pitch, sheet.voice)
        with self._lock:
            found = self._known.get(key)
            if found is None:
                performance = perform(sheet)
                choice = choose_voice(performance, self.kind, rate=RATE)
                quick = choose_voice(performance, "builtin", rate=RATE, quick=True)
                found = self._known[key] = Prompt(choice.voice, quick.voice)
                while len(self._known) > _KEPT:
                    self._known.pop(next(iter(self._known)))
            return found

    def close(self) -> None:
        """Stop what is still being sounded for later: nobody will hear it."""
        with self._lock:
            for prompt in self._known.values():
                prompt.close()
