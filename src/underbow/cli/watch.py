"""A witness for the end that no program can tell of itself: a crash in a native library, or being killed.

A process of its own, forked before anything large is loaded, does nothing but read a pipe on which the steps of the work are
noted. Where the pipe ends without a last word, it says in one line which step it was. (Where there is no fork, as on Windows,
Python's own fault handler writes what it knows.)
"""

from __future__ import annotations

import faulthandler
import os
import signal
import sys
from collections.abc import Callable
from contextlib import suppress

from underbow.steps import look_on
from underbow.text import one_line

_DONE = b"\n"  # the last word, on a line of its own
_LONGEST = 400  # bytes of a step: a write of so few is never mixed with another


def watch() -> Callable[[], None]:
    """Set a witness up, before there are threads; what is given lets it know that all has been told."""
    if not hasattr(os, "fork"):
        with suppress(RuntimeError, ValueError, AttributeError):  # no stderr
            faulthandler.enable()
        return lambda: None
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(write)
        if os.fork() == 0:  # nobody's child, so that nobody waits for it
            _witness(read)
        os._exit(0)
    os.close(read)
    os.waitpid(child, 0)
    ours = os.getpid()

    def tell(line: str) -> None:
        if os.getpid() == ours:
            with suppress(OSError):
                os.write(write, line.encode("utf-8", "replace")[:_LONGEST] + b"\n")

    look_on(lambda what, begins: tell(("+" if begins else "-") + one_line(what, 200)))
    return lambda: tell("")


def _witness(pipe: int) -> None:
    """Read to the end of the pipe; say which step it was where the end came without a word."""
    try:
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN)
        nowhere = os.open(os.devnull, os.O_RDWR)
        os.dup2(nowhere, 0)
        os.dup2(nowhere, 1)
        steps: list[str] = []
        with os.fdopen(pipe, "rb") as lines:
            for line in lines:
                if line == _DONE:
                    os._exit(0)
                what = line[1:].decode("utf-8", "replace").rstrip("\n")
                if line.startswith(b"+"):
                    steps.append(what)
                elif what in steps:
                    steps.remove(what)
        where = f" while {steps[-1]}" if steps else ""
        text = f"underbow: ended without a word{where}: a library crashed, or the program was killed or ran out of memory\n"
        os.write(2, text.encode(getattr(sys.stderr, "encoding", None) or "utf-8", "replace"))
    finally:
        os._exit(0)
