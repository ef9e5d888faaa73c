"""The commands, gathered. Each lives with its kin in a module of this folder and imports what it needs only when it runs."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

import underbow

HELP = """Play-along tracks for fiddlers who back up the tune.

A track sheet names a tune, a bow-stroke pattern and a tempo ramp; Underbow works out the hand shapes and makes the
audio: someone else plays the melody, you back it up with two-note chords, slowly at first and then at session speed.

Begin with:  underbow new my-lesson   and then:  underbow render my-lesson/first-track.toml
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
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Tell the version and stop.")
    ] = False,
) -> None:
    pass


def main() -> None:
    """Run the command line; the installed ``underbow`` calls this."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:  # a terminal that can't show a sign gets a replacement, not a crash
            reconfigure(errors="replace")
    app()


from underbow.cli import begin, hand, lesson, read, sound  # noqa: E402, F401  each registers its commands
