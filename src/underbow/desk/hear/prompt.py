"""A voice that never keeps anybody waiting.

Some voices take long to sound something for the first time, as one does that works out how a string moves. At the desk a
teacher has just pressed a key: what isn't ready in time is sounded by a quicker voice this once, while the other goes on
beside it and is ready for the next time.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as NotReadyError
from threading import Lock
from time import perf_counter

from underbow.errors import UnderbowError
from underbow.sound.voice.voices import Action, Remembered, Samples, Voice

__all__ = ["Prompt"]

PATIENCE = 0.1  # seconds for all sounds of a first block
ROOM = 96 << 20  # bytes of sounds kept
_WAITING = 64  # sounds on their way at most


class Prompt:
    """A voice with another to step in for it.

    Parameters
    ----------
    voice, quick : Voice
        At one rate. ``quick`` must not keep anybody waiting.

    Attributes
    ----------
    stepped_in : int
        How often the quick one sounded.
    """

    def __init__(self, voice: Voice, quick: Voice) -> None:
        self._voice, self._quick = Remembered(voice, ROOM), Remembered(quick, ROOM // 4)
        self._beside = ThreadPoolExecutor(1, "desk-voice")
        self._coming: dict[Action, Future[Samples]] = {}
        self._lock = Lock()
        self._left = PATIENCE
        self.stepped_in = 0

    @property
    def name(self) -> str:
        """The voice's own name."""
        return self._voice.name

    @property
    def rate(self) -> int:
        """Frames a second."""
        return self._voice.rate

    def hurry(self, seconds: float = PATIENCE) -> None:
        """Say how long may be waited for all sounds from now on together."""
        self._left = seconds

    def sounds(self, action: Action) -> Samples:
        """Give the samples of an action, the voice's own where they are ready in time."""
        with self._lock:
            coming = self._coming.get(action)
            if coming is None and len(self._coming) < _WAITING:
                coming = self._coming[action] = self._beside.submit(self._voice.sounds, action)
        if coming is not None:
            try:
                return self._waited(coming, action)
            except (NotReadyError, UnderbowError):
                pass
        self.stepped_in += 1
        return self._quick.sounds(action)

    def _waited(self, coming: Future[Samples], action: Action) -> Samples:
        begun = perf_counter()
        try:
            return coming.result(max(self._left, 0.0))
        finally:
            self._left -= perf_counter() - begun
            if coming.done():
                with self._lock:
                    self._coming.pop(action, None)

    def close(self) -> None:
        """Stop what is still on its way."""
        self._beside.shutdown(wait=False, cancel_futures=True)
