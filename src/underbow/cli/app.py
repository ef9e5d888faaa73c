"""The application that the commands of this folder register with; each imports what it needs only when it runs."""

from __future__ import annotations

import sys
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

import underbow
from underbow.cli.boundary import say

HELP = """Play-along tracks for fiddlers who back up the tune.

A track sheet names a tune, a bow-stroke pattern and a tempo ramp; Underbow works out the hand shapes and makes the audio:
someone else plays the melody, you back it up with two-note chords, slowly at first and then at session speed.

To begin:

  underbow new my-lesson

  underbow render my-lesson/first-track.toml

More, with examples:  underbow render --help
"""


class _Commands(TyperGroup):
    """All commands; a call that fits none of them is told as everything else is, in one line."""

    def main(self, *args: Any, **settings: Any) -> Any:
        """Run the call, and end with its exit status."""
        try:
            status = super().main(*args, **{**settings, "standalone_mode": False})
        except typer.TyperException as wrong:
            status = wrong.exit_code
            called = getattr(getattr(wrong, "ctx", None), "command_path", "underbow")
            if what := wrong.format_message().rstrip("."):  # nothing where a bare call has shown the help
                say(f"underbow: {what[0].lower()}{what[1:]}{' See' if what[-1] == '?' else '; see'} `{called} --help`")
        sys.exit(status or 0)


app = typer.Typer(
    name="underbow",
    cls=_Commands,
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
