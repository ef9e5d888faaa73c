"""A voice that never keeps anybody waiting.

Some voices take long to sound something for the first time, as one does that works out how a string moves. At the desk a
teacher has just pressed a key: what isn't there yet is sounded by a quicker voice this once, while the other goes on beside it
and is ready for the next time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future
from concurrent.futures import TimeoutError as NotReadyError
from threading import RLock
from time import perf_counter
from typing import TypeAlias

from underbow.errors import UnderbowError
from underbow.sound.voice.voices import Action, Kept, Remembered, Samples, Voice

__all__ = ["Hurried", "Prompt", "Sounder"]

PATIENCE = 0.1  # seconds for all sounds of a first block, where a sound is made within that time
ROOM = 96 << 20  # bytes of sounds kept
_SOON, _MOST = 12, 400  # sounds that are made first, so that they are there soon; sounds on their way at most

Sounder: TypeAlias = Callable[[Sequence[Action]], Mapping[Action, Samples]]


class Prompt:
    """A voice with another to step in for it.

    Parameters
    ----------
    sounder : callable
        Gives the voice's own sounds, as many at once as ``together`` says.
    quick : Voice
        Must not keep anybody waiting.
    beside : callable
        Gives whoever calls ``sounder``; asked again where one has died.
    slow : callable
        Whether an action takes the voice long. The others sound alike with ``quick``, which sounds them.
    together : int
        Sounds that are made together, since they are made much faster so; 1 where each is made for itself.
    """

    def __init__(
        self,
        sounder: Sounder,
        quick: Voice,
        beside: Callable[[], Executor],
        *,
        slow: Callable[[Action], bool] = lambda action: True,
        together: int = 1,
    ) -> None:
        self._sounder, self._beside, self._slow, self._together = sounder, beside, slow, together
        self.quick = Remembered(quick, ROOM // 3)
        self._own = Kept(ROOM)
        self._coming: dict[Action, Future[Mapping[Action, Samples]]] = {}
        self._lock = RLock()  # what is done at once arrives while it is asked for
        self.patience = PATIENCE if together == 1 else 0.0  # those made together take longer than anybody waits

    @property
    def rate(self) -> int:
        """Frames a second."""
        return self.quick.rate

    def ask(self, actions: Iterable[Action]) -> None:
        """Have sounds made in this order. What was asked for before and isn't begun is left.

        Where each is made for itself, nothing is made before it is sounded.
        """
        if self._together == 1:
            return
        with self._lock:
            left = {future for future in self._coming.values() if future.cancel()}
            self._coming = {action: future for action, future in self._coming.items() if future not in left}
            wanted = [action for action in dict.fromkeys(actions) if self._is_wanted(action)][:_MOST]
            size = min(_SOON, self._together)
            while wanted:
                self._submit(wanted[:size])
                wanted, size = wanted[size:], self._together

    def _is_wanted(self, action: Action) -> bool:
        return self._slow(action) and action not in self._own and action not in self._coming

    def _submit(self, actions: Sequence[Action]) -> None:
        try:
            future = self._beside().submit(self._sounder, actions)
        except (BrokenExecutor, RuntimeError, OSError):  # it died, can't be begun, or the desk is being closed
            return
        self._coming |= dict.fromkeys(actions, future)
        future.add_done_callback(self._arrived)

    def _arrived(self, future: Future[Mapping[Action, Samples]]) -> None:
        with self._lock:
            self._coming = {action: one for action, one in self._coming.items() if one is not future}
        if not future.cancelled() and future.exception() is None:
            for action, samples in future.result().items():
                self._own.keep(action, samples)

    def sounds_within(self, action: Action, seconds: float) -> tuple[Samples, bool]:
        """Give the samples of an action, and whether they are the voice's own: they were ready in so many seconds."""
        if not self._slow(action):
            return self.quick.sounds(action), True
        own = self._own.get(action)
        if own is None and self._together == 1 and len(self._coming) < _MOST:
            with self._lock:
                if self._is_wanted(action):
                    self._submit([action])
        coming = self._coming.get(action)
        if own is None and coming is not None:
            try:
                if seconds > 0 or coming.done():
                    own = coming.result(max(seconds, 0.0))[action]
            except (NotReadyError, CancelledError, UnderbowError, BrokenExecutor):
                pass
        return (own, True) if own is not None else (self.quick.sounds(action), False)


class Hurried:
    """A prompt voice as one listener hears it, who waits only so long.

    Parameters
    ----------
    voice : Prompt
    patience : float, optional
        Seconds, for all sounds together until :meth:`allow` is called.

    Attributes
    ----------
    stepped_in : int
        How often the quick voice sounded.
    """

    name = "desk"

    def __init__(self, voice: Prompt, patience: float | None = None) -> None:
        self._voice, self._left = voice, voice.patience if patience is None else patience
        self.stepped_in = 0

    @property
    def rate(self) -> int:
        """Frames a second."""
        return self._voice.rate

    def ask(self, actions: Iterable[Action]) -> None:
        """Say what will be sounded, in order."""
        self._voice.ask(actions)

    def allow(self, seconds: float) -> None:
        """Say how long may be waited for all sounds from now on."""
        self._left = max(seconds, self._voice.patience)

    def sounds(self, action: Action) -> Samples:
        """Give the samples of an action, the voice's own where they are ready in time."""
        begun = perf_counter()
        samples, own = self._voice.sounds_within(action, self._left)
        self._left -= perf_counter() - begun
        self.stepped_in += not own
        return samples
