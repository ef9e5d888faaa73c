"""What is being played: ``tune`` shows what was read, ``chords`` suggests changes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from underbow.cli.app import app
from underbow.cli.boundary import Json, command, say, tell, tell_json

TuneFile = Annotated[Path, typer.Argument(metavar="FILE", help="An ABC file or tunebook, or a MIDI file.")]
Number = Annotated[int | None, typer.Option(help="The tune's number in its book (X: in ABC).")]
Title = Annotated[str | None, typer.Option(help="The tune's title, or a part of it.")]
Strict = Annotated[bool, typer.Option("--strict", help="Take what had to be assumed as an error.")]


@app.command()
@command
def tune(
    file: TuneFile, number: Number = None, title: Title = None, strict: Strict = False, as_json: Json = False
) -> None:
    """Show what was read from a tune: key, meter, form, melody, chords by bar.

    A tunebook without a number or a title lists its tunes.

    Examples:

      underbow tune tracks/lamplight.abc

      underbow tune my-book.abc --number 12
    """
    from underbow.tune.show import book_text, tune_json, tune_text
    from underbow.tune.source import load_tune, load_tunes

    if number is None and title is None:
        book = load_tunes(file, strict=strict)
        if len(book) > 1:
            if as_json:
                tell_json([{"number": one.number, "title": one.title} for one in book])
            else:
                tell(book_text(book))
            return
    found = load_tune(file, number=number, title=title, strict=strict)
    for told in found.told:
        say(f"underbow: note: {told}")
    if as_json:
        tell_json(tune_json(found))
    else:
        tell(tune_text(found))
