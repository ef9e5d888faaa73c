"""What is heard: ``render``, ``drill`` and ``voices``."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, cast

import typer

from underbow.cli.app import app
from underbow.cli.boundary import Json, command, number, say, tell, tell_json
from underbow.cli.work import NoCache, OnCluster, Template, Workers, a_way
from underbow.errors import InputError

if TYPE_CHECKING:
    from underbow.jobs.gather import Gathered
    from underbow.jobs.work import Way
    from underbow.lesson.options import LessonOptions
    from underbow.lesson.video.encoder import Encoder
    from underbow.lesson.video.options import VideoOptions
    from underbow.sound.files.encode import Bits as Depth
    from underbow.sound.files.encode import Format
    from underbow.sound.options import RenderOptions

# Typer reads options from each command's own signature: naming these twice is plainer than code that builds signatures.
Output = Annotated[
    Path, typer.Option("-o", "--output", metavar="DIR", help="The folder for the files; created if missing.")
]
Mixes = Annotated[
    list[str] | None, typer.Option("--mix", metavar="NAME", help="Only this mix; repeat the option for more.")
]
Formats = Annotated[str, typer.Option("--format", help="wav, flac, ogg, mp3: one, or several separated by commas.")]
VoiceKind = Annotated[str, typer.Option("--voices", help="auto, soundfont or builtin.")]
Bank = Annotated[Path | None, typer.Option("--soundfont", metavar="FILE", help="The SoundFont to play (.sf2, .sf3).")]
Stems = Annotated[bool, typer.Option("--stems", metavar="", help="Also each part alone, in its own file.")]
Rate = Annotated[int, typer.Option(metavar="N", parser=number(), help="Samples a second: 44100 or 48000.")]
Bits = Annotated[str, typer.Option(help="16, 24 or float, for wav and flac.")]
Video = Annotated[
    bool, typer.Option("--video", metavar="", help="Also a video: the practice page's board in time, for any phone.")
]
WideVideo = Annotated[
    bool, typer.Option("--wide", metavar="", help="The video for a screen (1920x1080), not for a phone held upright.")
]
DarkVideo = Annotated[bool, typer.Option("--dark", metavar="", help="The video with light letters on dark.")]
# Options of a drill that are keys of its sheet.
_DRILLED = ("start", "goal", "passes", "beat", "key", "tuning", "strings", "seed")
Afresh = Annotated[bool, typer.Option("--afresh", metavar="", help="Don't reuse identical strokes (slower).")]


@app.command()
@command
def render(
    sheets: Annotated[list[Path], typer.Argument(metavar="SHEET", help="Track sheets (.toml), or tunebooks (.abc).")],
    output: Output = Path("out"),
    mix: Mixes = None,
    formats: Formats = "wav",
    voices: VoiceKind = "auto",
    soundfont: Bank = None,
    stems: Stems = False,
    rate: Rate = 44_100,
    bits: Bits = "16",
    afresh: Afresh = False,
    video: Video = False,
    wide: WideVideo = False,
    dark: DarkVideo = False,
    template: Template = None,
    workers: Workers = None,
    cluster: OnCluster = "",
    no_cache: NoCache = False,
    as_json: Json = False,
) -> None:
    """Make the audio and a MIDI file for every mix of a track sheet.

    Examples:

      underbow render my-lesson/first-track.toml -o out

      underbow render tracks/*.toml -o out --mix "backup turn" --format mp3,flac

      underbow render tunebook.abc -o out --template slow-reels.toml

      underbow render my-lesson/first-track.toml -o out --video
    """
    from underbow.jobs.gather import gather

    options = render_options(formats, voices, soundfont, stems, rate, bits, afresh, not no_cache)
    gathered = gather(
        sheets, options, mix or (), template=template, video=video_options(video=video, wide=wide, dark=dark)
    )
    _render(gathered, output, a_way(len(gathered.jobs), workers, cluster, cache=not no_cache), as_json=as_json)


@app.command()
@command
def drill(
    chords: Annotated[list[str], typer.Argument(metavar="CHORD", help="Chord symbols, a bar each, such as C G D A.")],
    pattern: Annotated[str, typer.Option(help="A pattern's name, or a pattern file.")] = "nashville-shuffle",
    start: Annotated[
        int, typer.Option(metavar="N", parser=number(), help="Tempo of the first pass, beats a minute.")
    ] = 60,
    goal: Annotated[int, typer.Option(metavar="N", parser=number(), help="Tempo of the last pass.")] = 100,
    passes: Annotated[int, typer.Option(metavar="N", parser=number(), help="How many times round.")] = 6,
    beat: Annotated[
        str | None, typer.Option(help="The beat to count: 1/4, 3/8 or 1/2; by default the pattern's own.")
    ] = None,
    key: Annotated[str | None, typer.Option(help="The key of the melody; by default what the chords suggest.")] = None,
    tuning: Annotated[str, typer.Option(help="Tuning of the strings.")] = "GDAE",
    strings: Annotated[str, typer.Option(help="low, middle or high.")] = "low",
    rounds: Annotated[
        int, typer.Option(metavar="N", parser=number(), help="How many times the chords go round in one pass.")
    ] = 4,
    seed: Annotated[int, typer.Option(metavar="N", parser=number(), help="Random seed for the melody.")] = 0,
    drone: Annotated[
        bool, typer.Option("--drone", metavar="", help="A drone on the root and the fifth underneath.")
    ] = False,
    output: Output = Path("out"),
    lesson: Annotated[
        bool, typer.Option("--lesson", metavar="", help="Make a lesson of it: practice page, sheet to print, a track.")
    ] = False,
    sheet: Annotated[
        bool, typer.Option("--sheet", metavar="", help="Write the track sheet that this amounts to, and no sound.")
    ] = False,
    mix: Mixes = None,
    formats: Formats = "wav",
    voices: VoiceKind = "auto",
    soundfont: Bank = None,
    stems: Stems = False,
    rate: Rate = 44_100,
    bits: Bits = "16",
    afresh: Afresh = False,
    no_cache: NoCache = False,
    as_json: Json = False,
) -> None:
    """Go round some chords, slow to fast, without writing a sheet first; a melody is made over them.

    Examples:

      underbow drill C G D A

      underbow drill Am G --pattern waltz-oom-pah-pah --start 80 --goal 120

      underbow drill C G D A --lesson -o friday
    """
    from underbow.fiddle.pattern import find_pattern
    from underbow.jobs.gather import gather_text
    from underbow.text import signs
    from underbow.theory.progression import Progression

    if not all(map(str.strip, chords)):
        raise InputError("an empty chord; write a chord for each bar, such as C G D A")
    Progression.parse(" | ".join(chords))  # once round, so that a wrong chord is told once
    if not 1 <= rounds <= 64:
        raise InputError(f"--rounds must be 1 to 64, not {rounds}")
    found = find_pattern(pattern, Path())
    own = (
        Path(pattern) if pattern.lower().endswith(".toml") else None
    )  # wherever it lies: there is no sheet to be beside
    title = f"Round {' '.join(chords)}"
    lines: dict[str, str | int | bool] = {
        "title": signs(title),
        "meter": str(found.grid.meter),
        "pattern": own.name if own else pattern,
        "progression": " | ".join(list(chords) * rounds),
        "tuning": tuning,
        "strings": strings,
        **({} if key is None else {"key": key}),
    }
    tempo: dict[str, str | int | bool] = {
        "start": start,
        "goal": goal,
        "passes": passes,
        **({"beat": beat} if beat else {}),
    }
    text = _toml(lines) + _toml({"seed": seed}, "compose") + _toml(tempo, "tempo") + _toml({"drone": drone}, "sound")
    options = render_options(formats, voices, soundfont, stems, rate, bits, afresh, not no_cache)
    wanted: RenderOptions | LessonOptions = options
    if lesson:
        from underbow.lesson.options import LessonOptions

        sound = replace(options, mono=True, formats=("mp3",) if formats == "wav" else options.formats)
        wanted = LessonOptions(sound, tracks=tuple(mix or ()))
    with _by_its_options():
        gathered = gather_text(text, wanted, () if lesson else mix or (), folder=own.parent if own else None)
    if sheet:
        _write_sheet(text, title, output)  # a name that any keyboard can write
    elif lesson:
        from underbow.cli.hand_out import hand_out

        hand_out(gathered, output, a_way(1, 0, "", cache=not no_cache), as_json=as_json)
    else:
        _render(gathered, output, a_way(1, 0, "", cache=not no_cache), as_json=as_json)


@contextmanager
def _by_its_options() -> Iterator[None]:
    """Let what is wrong with a sheet that nobody has written name the option that it was made from."""
    try:
        yield
    except InputError as error:
        names = [fault.where.rpartition(".")[2] for fault in error.faults]
        raise InputError(
            *(
                replace(fault, where=f"--{name}") if name in _DRILLED else fault
                for fault, name in zip(error.faults, names, strict=True)
            )
        ) from None


def _write_sheet(text: str, title: str, folder: Path) -> None:
    """Write a track sheet into a folder, over nothing that is there."""
    from underbow.files.names import safe_name
    from underbow.files.trouble import folder_for
    from underbow.files.whole import write_whole
    from underbow.files.workplace import clear_leftovers

    path = folder / f"{safe_name(title)}.toml"
    if path.exists():
        raise InputError(f"{path} already exists; name another folder with -o")
    with folder_for(folder):
        clear_leftovers(folder)
        write_whole(path, text)
    tell(str(path))


def _toml(values: Mapping[str, str | int | bool], table: str = "") -> str:
    """Write a table: JSON's strings, numbers and truths are TOML's too."""
    head = f"[{table}]\n" if table else ""
    return head + "".join(f"{key} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in values.items())


@app.command("voices")
@command
def show_voices(soundfont: Bank = None, as_json: Json = False) -> None:
    """Tell which sound is in use, which SoundFonts were found, how to get a better one, and what makes videos.

    Examples:

      underbow voices

      underbow voices --soundfont my-bank.sf2
    """
    from underbow.sound.choose import how_to_ask, voices_in_use

    found = voices_in_use(soundfont)
    encoder, trouble = _video_encoder()
    if as_json:
        video = {"ffmpeg": encoder.version, "licence": encoder.licence, "path": encoder.path} if encoder else None
        tell_json(found.to_json() | {"video": video})
        return
    tell(f"In use: {found.used}" + (f" through FluidSynth {found.engine}" if found.used == "soundfont" else ""))
    if found.used == "builtin" and not found.trouble:
        tell(f"None of these SoundFonts is known to sound as good; {how_to_ask(found.banks)}.")
    if found.trouble:
        tell(f"SoundFonts can't be used: {found.trouble}")
    for bank in found.banks:
        tell("  " + "  ".join(part for part in (str(bank.path), bank.name, bank.licence, bank.notice) if part))
    if not found.banks:
        tell("No SoundFont found. Looked in: " + ", ".join(map(str, found.places)))
    if "better" in (document := found.to_json()):
        tell(f"Better sound: {document['better']}")
    tell(f"Video: {encoder.name}, {encoder.licence}, {encoder.path}" if encoder else f"No video: {trouble}")


def _video_encoder() -> tuple[Encoder | None, str]:
    """Give what makes videos; else why nothing does."""
    from underbow.lesson.video.film import check_means

    try:
        return check_means(), ""
    except InputError as error:
        return None, str(error)


def render_options(
    formats: str, voices: str, soundfont: Path | None, stems: bool, rate: int, bits: str, afresh: bool, kept: bool
) -> RenderOptions:
    """Gather what every render takes."""
    from underbow.sound.options import RenderOptions

    depths: dict[str, Depth] = {"16": 16, "24": 24, "float": "float"}
    if bits not in depths:
        raise InputError(f"--bits must be 16, 24 or float, not {bits!r}")
    options = RenderOptions(
        formats=cast("tuple[Format, ...]", tuple(word.strip().lower() for word in formats.split(",") if word.strip())),
        voices=voices,
        soundfont=soundfont,
        stems=stems,
        rate=rate,
        bits=depths[bits],
        remember=not afresh,
        kept=kept,
    )
    options.check()
    return options


def video_options(*, video: bool, wide: bool, dark: bool) -> VideoOptions | None:
    """Gather what videos are asked for; None where there are none."""
    from underbow.lesson.video.options import VideoOptions

    if not video:
        for name, given in (("--wide", wide), ("--dark", dark)):
            if given:
                raise InputError(f"{name} is of a video; add --video, or leave it out")
        return None
    return VideoOptions(wide, dark)


def _render(gathered: Gathered, folder: Path, a_way: AbstractContextManager[Way], *, as_json: bool) -> None:
    """Render, and tell what was made when the line of progress is gone, also where some failed."""
    from underbow.jobs.render import render_sheets

    for line in gathered.told:
        say(f"underbow: {line}")
    documents: list[Any] = []
    lines: list[str] = []
    notes: dict[str, None] = {}
    try:
        with a_way as way:
            for document in render_sheets(gathered, folder, way):
                notes |= dict.fromkeys(document["told"])
                if as_json:
                    documents.append(document)
                else:
                    lines += _told(document)
    finally:
        for line in notes:
            say(f"underbow: {line}")
        if lines:
            tell("\n".join(lines))
    if as_json:
        tell_json(documents[0] if len(gathered.jobs) == 1 else documents)


def _told(report: Mapping[str, Any]) -> Iterator[str]:
    from fractions import Fraction

    from underbow.sound.files.report import pass_count
    from underbow.theory.meter import beat_words

    passes = report["passes"]
    tempos = ", ".join(f"{round(single['tempo'], 1):g}" for single in passes)
    counted = f"{beat_words(Fraction(passes[0]['beat']) * 4)}s a minute"
    yield f"{report['title']}: {pass_count(len(passes))} at {tempos} ({counted}), {report['voices']}"
    for file in report["files"]:
        if file["seconds"] is None:
            yield f"  {file['path']}"
        else:
            minutes, seconds = divmod(round(file["seconds"]), 60)
            level = "silent" if file["lufs"] is None else f"{file['lufs']:.1f} LUFS"
            yield f"  {file['path']}  {minutes}:{seconds:02d}  {level}"
