"""Being stopped: Ctrl-C, a closed terminal (SIGHUP) and SIGTERM end a command alike, with one line and nothing left behind."""

from __future__ import annotations

import os
import signal
import time
from contextlib import suppress
from types import FrameType

_NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")  # each where the system has it
_AT_ONCE = 3.0  # seconds in which more of them, as some systems send, don't disturb the clearing up


class Stopped(BaseException):
    """Raised where a signal asks the program to stop, so that everything on the way out clears up.

    Not a :class:`KeyboardInterrupt`: libraries catch that and end in their own way.
    """

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(number)

    @property
    def status(self) -> int:
        """Exit status, as shells give it: 130 for Ctrl-C, 143 for SIGTERM, 129 for SIGHUP."""
        return 128 + self.number


class _Listener:
    """Raises :class:`Stopped` in the main thread; whatever comes later, the first signal gives the status."""

    def __init__(self) -> None:
        self._first, self._last = 0, float("-inf")

    def __call__(self, number: int, _frame: FrameType | None) -> None:
        now = time.monotonic()
        if now - self._last > _AT_ONCE:
            self._first, self._last = self._first or number, now
            raise Stopped(self._first)


def listen() -> None:
    """Let signals raise :class:`Stopped`; those that whoever started the program ignores (nohup, &) stay ignored."""
    listener = _Listener()
    for name in _NAMES:
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            with suppress(ValueError, OSError):  # not the main thread
                signal.signal(number, listener)


def listen_no_more() -> None:
    """Let signals do nothing any more: all is cleared up, and the status stands while the interpreter ends."""
    for name in _NAMES:
        with suppress(AttributeError, ValueError, OSError):
            signal.signal(getattr(signal, name), signal.SIG_IGN)


def fill_standard_streams() -> None:
    """Give what is closed of the first three handles to the null device: else the first file that is opened would become one."""
    handle = os.open(os.devnull, os.O_RDWR)
    while handle <= 2:
        handle = os.dup(handle)
    os.close(handle)
