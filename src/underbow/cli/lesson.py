"""What is handed out: ``lesson``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from underbow.cli.app import app
from underbow.cli.boundary import Json, command, say, tell, tell_json
from underbow.cli.sound import Bank, Bits, Rate, VoiceKind, all_or_none, render_options, shown_progress
from underbow.errors import InputError

if TYPE_CHECKING:
    from underbow.lesson.print.handout import Paper


@app.command()
@command
def lesson(
    sheets: Annotated[list[Path], typer.Argument(metavar="SHEET", help="Track sheets (.toml), in the lesson's order.")],
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="DIR", help="The lesson's folder; the zip lies beside it.")
    ] = None,
    title: Annotated[str | None, typer.Option(help="The lesson's title; the first sheet's otherwise.")] = None,
    again: Annotated[
        bool, typer.Option("--again", metavar="", help="Make a lesson that is there anew; only what changed is redone.")
    ] = False,
    each_tempo: Annotated[
        bool, typer.Option("--each-tempo", metavar="", help="Also a track for every tempo, once through.")
    ] = False,
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    formats: Annotated[str, typer.Option("--format", help="mp3, wav, flac, ogg: one, or several with commas.")] = "mp3",
    voices: VoiceKind = "auto",
    soundfont: Bank = None,
    rate: Rate = 44_100,
    bits: Bits = "16",
    as_json: Json = False,
) -> None:
    """Make the whole hand-out: tracks, MIDI, a sheet to print, a practice page; one folder and one zip.

    Examples:

      underbow lesson my-lesson/first-track.toml

      underbow lesson tracks/*.toml -o tuesday --title "Tuesday evening" --format mp3
    """
    from underbow.files import safe_name
    from underbow.lesson.lesson import make_lesson
    from underbow.lesson.options import LessonOptions
    from underbow.track.sheet.read import read_sheet

    papers: dict[str, Paper] = {"a4": "a4", "letter": "us-letter"}
    if paper.lower() not in papers:
        raise InputError(f"--paper must be a4 or letter, not {paper!r}")
    sound = render_options(formats, voices, soundfont, stems=False, rate=rate, bits=bits, afresh=False)
    options = LessonOptions(sound, papers[paper.lower()], each_tempo)
    read = all_or_none(sheets, read_sheet)
    for sheet in read:
        for told in sheet.told:
            say(f"underbow: note: {told}")
    folder = output or Path(safe_name(title or read[0].title))
    with shown_progress(title or read[0].title) as progress:
        made = make_lesson(
            read, folder, options=options, title=title, again=again,
            progress=None if progress is None else lambda _, share: progress(share),
        )  # fmt: skip
    if as_json:
        tell_json(made.manifest | {"folder": str(made.folder), "zip": str(made.zip)})
        return
    tell(f"{made.manifest['title']}: {len(made.manifest['files'])} files in {made.folder}, packed in {made.zip}")
    for line in dict.fromkeys(line for part in made.manifest["parts"] for line in part.get("told", ())):
        say(f"underbow: {line}")
    for part in made.manifest["parts"]:
        for file in part["files"]:
            if file["kind"] in ("page", "handout"):
                tell(f"  {made.folder / file['path']}")
