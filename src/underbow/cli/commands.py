"""What the installed ``underbow`` calls: every command gathered, in the order in which ``--help`` lists them."""

# isort: off
from __future__ import annotations

import atexit
import os
import sys
from contextlib import suppress
from pathlib import Path

from underbow.cli.app import app
from underbow.cli import begin, read, hand, sound, lesson, ear, desk  # noqa: F401  each registers its commands
from underbow.cli.boundary import run_and_flush
from underbow.cli.signals import fill_standard_streams, listen, listen_no_more
from underbow.cli.watch import watch

__all__ = ["app", "main"]

WATCHED = ("render", "drill", "lesson")  # they use native libraries, for minutes


def has_avx2(told: Path = Path("/proc/cpuinfo")) -> bool:
    """Whether this is a processor with AVX2, on systems that say so in a file."""
    with suppress(OSError), told.open(encoding="ascii", errors="replace") as lines:
        for line in lines:
            if line.startswith("flags"):
                return {"avx2", "fma"} <= set(line.split())
    return False


def main() -> None:
    """Run the command line."""
    listen()
    atexit.register(listen_no_more)  # after threads were waited for, which a signal may still end
    fill_standard_streams()
    last_word = watch() if sys.argv[1:2] and sys.argv[1] in WATCHED else None
    # Our arrays are small: numpy's own threads cost more than they bring, and on one the bytes don't depend on the cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if has_avx2():  # its products for AVX-512 are no faster here and round otherwise
        os.environ.setdefault("OPENBLAS_CORETYPE", "Haswell")
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:  # a terminal that can't show a sign gets a replacement, not a crash
            reconfigure(errors="replace")
    try:
        status = run_and_flush(app)
    finally:
        if last_word is not None:
            last_word()
    sys.exit(status)
