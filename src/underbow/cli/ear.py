"""What was played: ``listen``."""

from __future__ import annotations

from datetime import UTC
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from underbow.cli.app import app
from underbow.cli.boundary import Json, command, say, tell, tell_json
from underbow.cli.sound import Bank, VoiceKind
from underbow.errors import InputError

if TYPE_CHECKING:
    from underbow.ear.history import Progress
    from underbow.ear.report import Heard
    from underbow.track.sheet.model import Sheet


@app.command()
@command
def listen(
    take: Annotated[Path, typer.Argument(metavar="TAKE", help="The recording: wav, flac, ogg, mp3, m4a, webm.")],
    sheet: Annotated[Path, typer.Argument(metavar="SHEET", help="The track sheet that was played along with.")],
    mix: Annotated[
        str | None, typer.Option("--mix", metavar="NAME", help="The mix that was played; the first otherwise.")
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="DIR", help="A folder for the page with pictures; created if missing."),
    ] = None,
    history: Annotated[
        bool, typer.Option("--history", metavar="", help="Remember this take in a file beside it, to show progress.")
    ] = False,
    voices: VoiceKind = "auto",
    soundfont: Bank = None,
    as_json: Json = False,
) -> None:
    """Hear how a recording of somebody playing along fits its sheet: in time, in tune, and what to practise.

    Nothing leaves this machine. Exit status 1 where the recording could not be judged.

    Examples:

      underbow listen take.wav my-lesson/first-track.toml

      underbow listen take.m4a my-lesson/first-track.toml -o heard --history
    """
    from underbow.ear.listen import listen as hear
    from underbow.jobs.job import chosen_mixes
    from underbow.track.sequencer import perform
    from underbow.track.sheet.read import read_sheet

    if output is not None and output.exists() and not output.is_dir():
        raise InputError(f"{output}: a file; name a folder")
    read = read_sheet(sheet)
    chosen = chosen_mixes(read, (mix,) if mix else ())[0]
    heard = hear(take, perform(read), chosen, voices=voices, soundfont=soundfont)
    if output is not None or history:
        _written(heard, read, take, sheet, output, history)
    if as_json:
        tell_json(heard.to_json())
    else:
        _said(heard)
    if heard.verdict not in ("judged", "unsure"):
        raise typer.Exit(1)


def _written(heard: Heard, sheet: Sheet, take: Path, path: Path, folder: Path | None, history: bool) -> None:
    from datetime import datetime

    from underbow.ear.history import remember
    from underbow.files.names import safe_name
    from underbow.files.trouble import folder_for
    from underbow.files.whole import digest, write_whole
    from underbow.files.workplace import clear_leftovers
    from underbow.lesson.heard.page import make_heard_page
    from underbow.lesson.heard.practise import write_practice_sheets

    known: tuple[Progress, ...] = ()
    if history:
        recorded = datetime.fromtimestamp(take.stat().st_mtime, tz=UTC).isoformat(timespec="seconds")
        known = remember(take.parent, heard, take=take.name, digest=digest(take), recorded=recorded)
    if folder is None:
        return
    with folder_for(folder):
        clear_leftovers(folder)
        practise = write_practice_sheets(path, [advice.bars for advice in heard.advice], folder)
        page = make_heard_page(sheet, heard, take=take.name, history=known, practise=practise)
        target = folder / f"{safe_name(sheet.title)} - what I heard.html"
        write_whole(target, page)
    say(f"underbow: {target}")


def _said(heard: Heard) -> None:
    if heard.verdict not in ("judged", "unsure"):
        tell(f"{heard.verdict}: {heard.why}")
        return
    if heard.why:
        tell(f"{heard.verdict}: {heard.why}")
    for each in heard.passes():
        middle = each["median_ms"]
        way = (
            "on the beat"
            if middle is None or abs(middle) < 3
            else f"{abs(middle):.0f} ms {'behind' if middle > 0 else 'ahead'}"
        )
        within = f", 95 of 100 strokes within {each['p95_ms']:.0f} ms" if each["p95_ms"] is not None else ""
        tell(f"{each['beat']} = {each['tempo']:g}: {way}{within} ({each['judged']} of {each['strokes']} judged)")
    for advice in heard.advice:
        tell(f"- {advice.text}" + (f" Practise bars {advice.bars}." if advice.bars else ""))
