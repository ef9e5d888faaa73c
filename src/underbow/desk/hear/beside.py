"""Who works beside the desk: a process of low priority, so that nothing that is worked out keeps the page waiting.

In the desk's own process such work would take its turns with everything that a teacher waits for. The process is begun afresh
on every system (``spawn``), when first wanted, and ends with the desk however that ends.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from contextlib import suppress
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any

__all__ = ["Beside", "a_process", "a_thread"]

_NICE = 10  # of 19: whatever else the machine does goes first


class Beside:
    """Somebody who works, begun when first asked for and again where he died.

    Parameters
    ----------
    begin : callable
        :func:`a_process` or :func:`a_thread`.
    """

    def __init__(self, begin: Callable[[], Executor]) -> None:
        self._begin, self._lock = begin, threading.Lock()
        self._working: Executor | None = None
        self._closed = False

    def __call__(self) -> Executor:
        """Give who works.

        Raises
        ------
        RuntimeError
            Where it was closed.
        """
        with self._lock:
            if self._closed:
                raise RuntimeError("closed")
            if self._working is None or getattr(self._working, "died", False):
                self._working = self._begin()
            return self._working

    def close(self) -> None:
        """End; what is not begun is left."""
        with self._lock:
            self._closed = True
            if self._working is not None:
                self._working.shutdown(wait=False, cancel_futures=True)


def a_thread() -> Executor:
    """Begin a thread of this process."""
    return ThreadPoolExecutor(1, "desk-voice")


class _Process(ThreadPoolExecutor):
    """One process, which is asked by one thread: that waits for each answer, and is alone in holding this end of their pipe.

    Not a ProcessPoolExecutor, which holds both ends: where its process ends while it hands a result over, it waits for ever.

    Attributes
    ----------
    died : bool
        Whether the process was found to have ended.
    """

    def __init__(self) -> None:
        super().__init__(1, "desk-voice")
        context = get_context("spawn")
        self._pipe, its = context.Pipe()
        self._process = context.Process(target=_work, args=(its,), daemon=True)
        self._process.start()
        its.close()
        self.died = False

    def submit(self, work: Callable[..., Any], /, *words: Any, **more: Any) -> Future[Any]:
        return super().submit(self._ask, (work, words, more))

    def _ask(self, wanted: tuple[Callable[..., Any], tuple[Any, ...], dict[str, Any]]) -> Any:
        try:
            self._pipe.send(wanted)
            done, answer = self._pipe.recv()
        except (EOFError, OSError):
            self.died = True
            raise BrokenExecutor("whoever works beside the desk has died") from None
        if not done:
            raise answer
        return answer

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        self._process.kill()
        self._process.join(1)
        super().shutdown(wait, cancel_futures=cancel_futures)


def a_process() -> Executor:
    """Begin a process."""
    return _Process()


def _work(pipe: Connection) -> None:
    """Work as the process: behind everything else, leaving Ctrl-C to the desk, and no longer than that listens."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        with suppress(OSError):
            os.nice(_NICE)
    with suppress(EOFError, OSError):
        while True:
            work, words, more = pipe.recv()
            try:
                answer = True, work(*words, **more)
            except Exception as wrong:
                answer = False, wrong
            pipe.send(answer)
