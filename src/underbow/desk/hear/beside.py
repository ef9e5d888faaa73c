"""Who works beside the desk: a process of low priority, so that nothing that is worked out keeps the page waiting.

In the desk's own process such work would take its turns with everything that a teacher waits for. The process is begun afresh
on every system (``spawn``), when first wanted, and ends with the desk however that ends.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import suppress
from multiprocessing import get_context
from multiprocessing.connection import Connection

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
            if self._working is None or getattr(self._working, "_broken", False):
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


class _Process(ProcessPoolExecutor):
    """One process, and the pipe whose end is its own."""

    def __init__(self) -> None:
        context = get_context("spawn")
        self._listening, self._life = context.Pipe(duplex=False)
        super().__init__(1, context, _begin, (self._listening,))

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        self._life.close()
        self._listening.close()
        super().shutdown(wait, cancel_futures=cancel_futures)


def a_process() -> Executor:
    """Begin a process."""
    return _Process()


def _begin(life: Connection) -> None:
    """Begin as the process: behind everything else, leaving Ctrl-C to the desk, and not outliving it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        with suppress(OSError):
            os.nice(_NICE)
    threading.Thread(target=_end_with, args=(life,), daemon=True).start()


def _end_with(life: Connection) -> None:
    with suppress(EOFError, OSError):
        life.recv()
    os._exit(0)
