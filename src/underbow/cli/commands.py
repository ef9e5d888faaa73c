"""What the installed ``underbow`` calls: every command gathered, in the order in which ``--help`` lists them."""

# isort: off
from __future__ import annotations

import os
import sys

from underbow.cli.app import app
from underbow.cli import begin, read, hand, sound, lesson, ear, desk  # noqa: F401  each registers its commands
from underbow.cli.boundary import run_and_flush
from underbow.cli.signals import fill_standard_streams, listen
from underbow.cli.watch import watch

__all__ = ["app", "main"]

WATCHED = ("render", "drill", "lesson")  # they use native libraries, for minutes


def main() -> None:
    """Run the command line."""
    listen()
    fill_standard_streams()
    last_word = watch() if sys.argv[1:2] and sys.argv[1] in WATCHED else None
    # Our arrays are small: numpy's own threads cost more than they bring, and on one the bytes don't depend on the cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
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
