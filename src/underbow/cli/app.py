"""The application that the commands of this folder register with; each imports what it needs only when it runs."""

from __future__ import annotations

from typing import Annotated

import typer

import underbow

HELP = """Play-along tracks for fiddlers who back up the tune.

A track sheet names a tune, a bow-stroke pattern and a tempo ramp; Underbow works out the hand shapes and makes the audio:
someone else plays the melody, you back it up with two-note chords, slowly at first and then at session speed.

To begin:

  underbow new my-lesson

  underbow render my-lesson/first-track.toml

More, with examples:  underbow render --help
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
        bool, typer.Option("--version", metavar="", callback=_version, is_eager=True, help="Show the version and exit.")
    ] = False,
) -> None:
    pass
