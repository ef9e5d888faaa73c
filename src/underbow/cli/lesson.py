"""What is handed out: ``lesson``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from underbow.cli.app import app
from underbow.cli.boundary import Json, command
from underbow.cli.hand_out import hand_out
from underbow.cli.sound import Bank, Bits, DarkVideo, Rate, Video, VoiceKind, WideVideo, render_options, video_options
from underbow.cli.work import NoCache, OnCluster, Template, Workers, a_way
from underbow.errors import InputError

if TYPE_CHECKING:
    from underbow.jobs.lesson import Zips
    from underbow.lesson.print.handout import Paper


@app.command()
@command
def lesson(
    sheets: Annotated[
        list[Path],
        typer.Argument(metavar="SHEET", help="Track sheets (.toml), in the lesson's order; or a tunebook (.abc)."),
    ],
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="DIR", help="The lesson's folder; the zip lies beside it.")
    ] = None,
    title: Annotated[
        str | None,
        typer.Option(help="The lesson's title; by default the book's name, or the first sheet's and how many more."),
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", metavar="", help="Replace an existing lesson; only what changed is made again.")
    ] = False,
    each_tempo: Annotated[
        bool, typer.Option("--each-tempo", metavar="", help="Also a track for every tempo, once through.")
    ] = False,
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    mix: Annotated[
        list[str] | None,
        typer.Option(
            "--mix", metavar="NAME", help="Also this mix as an audio file; repeat for more; all for every one."
        ),
    ] = None,
    formats: Annotated[
        str, typer.Option("--format", help="mp3, wav, flac, ogg: one, or several separated by commas.")
    ] = "mp3",
    site: Annotated[
        bool, typer.Option("--site", metavar="", help="For a web server: the page's sound in files beside it.")
    ] = False,
    video: Video = False,
    wide: WideVideo = False,
    dark: DarkVideo = False,
    voices: VoiceKind = "auto",
    soundfont: Bank = None,
    rate: Rate = 44_100,
    bits: Bits = "16",
    zips: Annotated[
        str, typer.Option("--zip", help="one (of all), each (one a sheet), none; by default one, if it can be sent.")
    ] = "auto",
    template: Template = None,
    workers: Workers = None,
    cluster: OnCluster = "",
    no_cache: NoCache = False,
    as_json: Json = False,
) -> None:
    """Make the hand-out: a practice page, a sheet to print, a track with its MIDI; one folder and one zip, small enough to mail.

    The page plays every mix. As audio files there is the backup turn alone, unless --mix names others.

    Examples:

      underbow lesson my-lesson/first-track.toml

      underbow lesson tracks/*.toml -o tuesday --title "Tuesday evening" --mix all
    """
    from dataclasses import replace

    from underbow.files.names import safe_name
    from underbow.jobs.gather import gather
    from underbow.lesson.options import LessonOptions

    papers: dict[str, Paper] = {"a4": "a4", "letter": "us-letter"}
    if paper.lower() not in papers:
        raise InputError(f"--paper must be a4 or letter, not {paper!r}")
    sound = render_options(
        formats, voices, soundfont, stems=False, rate=rate, bits=bits, afresh=False, kept=not no_cache
    )
    kinds: dict[str, Zips] = {"auto": "auto", "one": "one", "each": "each", "none": "none"}
    if zips.lower() not in kinds:
        raise InputError(f"--zip must be one, each or none, not {zips!r}")
    options = LessonOptions(replace(sound, mono=True), papers[paper.lower()], each_tempo, tuple(mix or ()), site)
    gathered = gather(sheets, options, template=template, video=video_options(video=video, wide=wide, dark=dark))
    if not title:
        title = sheets[0].stem if len(sheets) == 1 and len(gathered.jobs) > 1 else gathered.title
    way = a_way(len(gathered.jobs), workers, cluster, cache=not no_cache)
    folder = output or Path(safe_name(title))
    hand_out(gathered, folder, way, title=title, again=again, zips=kinds[zips.lower()], as_json=as_json)
