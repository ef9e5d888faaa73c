"""What is made ready before it is asked for, while nobody waits.

As soon as a sheet is shown or changed its first pass is played, its gain estimated, and whoever works beside the desk begins on
its strokes. The next sheet or change takes its place; while somebody begins to hear, it stands still.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from time import monotonic, sleep

from underbow.desk.hear.loudness import USUAL, estimate
from underbow.desk.hear.passes import Passes, Turn
from underbow.desk.hear.players import Stretch
from underbow.desk.hear.prompt import Prompt
from underbow.desk.hear.voices import Voices
from underbow.errors import UnderbowError
from underbow.sound.voice.voices import Action, Samples
from underbow.track.sheet.model import Sheet

__all__ = ["Ready"]

_STILL = 1.5  # seconds, from where somebody begins to hear
_GRACE = 0.2  # seconds, from where a sheet is shown: whoever presses at once has the desk for himself
_LOOK = 0.02


class _LeftError(Exception):
    """Something else is to be made ready."""


class Ready:
    """Makes sheets ready, one at a time.

    Parameters
    ----------
    read : callable
        Reads a sheet of a name; InputError where it can't be heard.
    voices : Voices
    passes : Passes
    levels : mapping of str to float or None
        At which the gain is estimated.
    """

    def __init__(
        self,
        read: Callable[[str], Sheet],
        voices: Voices,
        passes: Passes,
        levels: Mapping[str, float | None],
    ) -> None:
        self._read, self._voices, self._passes, self._levels = read, voices, passes, levels
        self._thread = ThreadPoolExecutor(1, "desk-ready")
        self._lock, self._latest, self._still_until = threading.Lock(), 0, 0.0
        self._gains: dict[str, float] = {}

    def gain(self, name: str) -> float:
        """Give the gain of a sheet as it is known by now."""
        return self._gains.get(name, USUAL)

    def warm(self) -> None:
        """Make ready what any sheet needs."""
        self._submit(lambda turn: self._voices.warm())

    def begin(self, name: str) -> None:
        """Make a sheet ready as it is now, in place of what is being made ready."""
        self._stand_still(_GRACE)
        self._submit(lambda turn: self._prepare(name, turn))

    def still(self) -> None:
        """Stand still: somebody begins to hear."""
        self._stand_still(_STILL)

    def _stand_still(self, seconds: float) -> None:
        self._still_until = max(self._still_until, monotonic() + seconds)

    def close(self) -> None:
        """Make nothing ready any more."""
        with self._lock:
            self._latest += 1
        self._thread.shutdown(wait=False, cancel_futures=True)

    def _submit(self, work: Callable[[int], None]) -> None:
        with self._lock:
            self._latest += 1
            turn = self._latest
        with suppress(RuntimeError):  # closed
            self._thread.submit(work, turn)

    def _look_up(self, turn: int) -> None:
        """Stand still where that is asked for; leave what nobody wants any more."""
        while monotonic() < self._still_until and turn == self._latest:
            sleep(_LOOK)
        if turn != self._latest:
            raise _LeftError

    def _prepare(self, name: str, turn: int) -> None:
        with suppress(UnderbowError, _LeftError):
            self._look_up(turn)
            sheet = self._read(name)
            voice = self._voices.voice(sheet)
            self._look_up(turn)
            played = self._passes.whole(sheet, Turn())
            voice.ask(Stretch(played.plans, 0, played.at(played.performance.passes[0].end)).actions())
            if name not in self._gains:
                calm = _Calm(voice, lambda: self._look_up(turn))
                self._gains[name] = estimate(sheet, calm, self._levels, passes=self._passes)


class _Calm:
    """The quick voice, which looks up before each sound."""

    name = "ready"

    def __init__(self, voice: Prompt, look_up: Callable[[], None]) -> None:
        self._voice, self._look_up = voice, look_up
        self.rate = voice.rate

    def sounds(self, action: Action) -> Samples:
        self._look_up()
        return self._voice.quick.sounds(action)
