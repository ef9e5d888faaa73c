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

__all__ = ["Hurried", "Prompt"]

PATIENCE = 0.1  # seconds for all sounds of a first block
ROOM = 96 << 20  # bytes of sounds kept
_WAITING = 64  # sounds on their way at most


class Prompt:
    """A voice with another to step in for it.

    Parameters
    ----------
    voice, quick : Voice
        At one rate. ``quick`` must not keep anybody waiting.
    """

    def __init__(self, voice: Voice, quick: Voice) -> None:
        self._voice, self._quick = Remembered(voice, ROOM), Remembered(quick, ROOM // 4)
        self._beside = ThreadPoolExecutor(1, "desk-voice")
        self._coming: dict[Action, Future[Samples]] = {}
        self._lock = Lock()

    @property
    def rate(self) -> int:
        """Frames a second."""
        return self._voice.rate

    def sounds_within(self, action: Action, seconds: float) -> tuple[Samples, bool]:
        """Give the samples of an action, and whether they are the voice's own: they were ready in so many seconds."""
        with self._lock:
            coming = self._coming.get(action)
            if coming is None and len(self._coming) < _WAITING:
                coming = self._coming[action] = self._beside.submit(self._voice.sounds, action)
        if coming is not None:
            try:
                return coming.result(max(seconds, 0.0)), True
            except (NotReadyError, UnderbowError):
                pass
            finally:
                if coming.done():
                    with self._lock:
                        self._coming.pop(action, None)
        return self._quick.sounds(action), False

    def close(self) -> None:
        """Stop what is still on its way."""
        self._beside.shutdown(wait=False, cancel_futures=True)


class Hurried:
    """A prompt voice as one listener hears it, who waits only so long.

    Parameters
    ----------
    voice : Prompt
    patience : float
        Seconds, for all sounds together until :meth:`allow` is called.

    Attributes
    ----------
    stepped_in : int
        How often the quick voice sounded.
    """

    name = "desk"

    def __init__(self, voice: Prompt, patience: float = PATIENCE) -> None:
        self._voice, self._left = voice, patience
        self.stepped_in = 0

    @property
    def rate(self) -> int:
        """Frames a second."""
        return self._voice.rate

    def allow(self, seconds: float) -> None:
        """Say how long may be waited for all sounds from now on."""
        self._left = max(seconds, PATIENCE)

    def sounds(self, action: Action) -> Samples:
        """Give the samples of an action, the voice's own where they are ready in time."""
        begun = perf_counter()
        samples, own = self._voice.sounds_within(action, self._left)
        self._left -= perf_counter() - begun
        self.stepped_in += not own
        return samples
