"""The commands, gathered. Each lives with its kin in a module of this folder and imports what it needs only when it runs."""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer

import underbow
from underbow.cli.boundary import run_and_flush

HELP = """Play-along tracks for fiddlers who back up the tune.

A track sheet names a tune, a bow-stroke pattern and a tempo ramp; Underbow works out the hand shapes and makes the audio:
someone else plays the melody, you back it up with two-note chords, slowly at first and then at session speed.

Begin with:

  underbow new my-lesson

  underbow render my-lesson/first-track.toml

Every command tells more and gives examples:  underbow render --help
"""

app = typer.Typer(
    name="underbow",
    help=HELP,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"underbow {underbow.__version__}")
        raise typer.Exit


@app.callback()
def _root(
    _version_asked: Annotated[
        bool, typer.Option("--version", metavar="", callback=_version, is_eager=True, help="Tell the version and stop.")
    ] = False,
) -> None:
    pass


def main() -> None:
    """Run the command line; the installed ``underbow`` calls this."""
    # Our arrays are small: numpy's own threads cost more than they bring, and on one the bytes don't depend on the cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:  # a terminal that can't show a sign gets a replacement, not a crash
            reconfigure(errors="replace")
    sys.exit(run_and_flush(app))


# Each registers its commands, in the order in which --help lists them.
# isort: off
from underbow.cli import begin  # noqa: E402, F401
from underbow.cli import read  # noqa: E402, F401
from underbow.cli import hand  # noqa: E402, F401
from underbow.cli import sound  # noqa: E402, F401
from underbow.cli import lesson  # noqa: E402, F401
