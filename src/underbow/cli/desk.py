"""The teacher's page: ``desk``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from underbow.cli.app import app
from underbow.cli.boundary import command, number, tell
from underbow.cli.sound import VoiceKind


@app.command()
@command
def desk(
    folder: Annotated[
        Path, typer.Argument(metavar="[FOLDER]", help="A folder of track sheets; by default the current folder.")
    ] = Path(),
    port: Annotated[
        int, typer.Option(metavar="N", parser=number(0, 65_535), help="The port to use; by default any that is free.")
    ] = 0,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", metavar="", help="Don't open the page in the browser.")
    ] = False,
    launcher: Annotated[
        bool,
        typer.Option(
            "--launcher",
            metavar="",
            help="Make a launcher that opens the desk for this folder by a double click, and exit.",
        ),
    ] = False,
    voices: VoiceKind = "auto",
) -> None:
    """Make, hear and hand out lessons on a page in your browser.

    The page is served from this computer to this computer; its address is the first line. Close it on the page, or with Ctrl-C.

    Examples:

      underbow desk my-lessons

      underbow desk my-lessons --launcher
    """
    if launcher:
        from underbow.desk.launcher import make_launcher

        tell(f"Made {make_launcher(folder)}: a double click on it opens the desk.")
        return
    from underbow.desk.server import serve

    serve(folder, print_line, port=port, browser=not no_browser, voices=voices)


def print_line(line: str) -> None:
    """Put a line on stdout at once, for whoever waits for it."""
    import sys

    tell(line)
    sys.stdout.flush()
