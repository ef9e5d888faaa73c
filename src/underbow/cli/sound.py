"""What is heard: ``render``, ``drill`` and ``voices``."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, cast

import typer

from underbow.cli.app import app
from underbow.cli.boundary import Json, command, plain, say, tell, tell_json
from underbow.errors import Fault, InputError, near_miss

if TYPE_CHECKING:
    from underbow.sound.files.encode import Bits as Depth
    from underbow.sound.files.encode import Format
    from underbow.sound.files.report import RenderReport
    from underbow.sound.options import RenderOptions
    from underbow.track.mixes import Mix
    from underbow.track.sheet.model import Sheet

# Typer reads options from each command's own signature: naming these twice is plainer than code that builds signatures.
Output = Annotated[
    Path, typer.Option("-o", "--output", metavar="DIR", help="The folder for the files; made if need be.")
]
Mixes = Annotated[
    list[str] | None, typer.Option("--mix", metavar="NAME", help="Only this mix; may be given again for another.")
]
Formats = Annotated[str, typer.Option("--format", help="wav, flac, ogg, mp3: one, or several with commas.")]
VoiceKind = Annotated[str, typer.Option("--voices", help="auto, soundfont or builtin.")]
Bank = Annotated[Path | None, typer.Option("--soundfont", metavar="FILE", help="The SoundFont to play (.sf2, .sf3).")]
Stems = Annotated[bool, typer.Option("--stems", metavar="", help="Every part alone too, as a file of its own.")]
Rate = Annotated[int, typer.Option(metavar="N", help="Samples a second: 44100 or 48000.")]
Bits = Annotated[str, typer.Option(help="16, 24 or float, for wav and flac.")]
Afresh = Annotated[
    bool, typer.Option("--afresh", metavar="", help="Sound every stroke anew instead of reusing equal ones: slower.")
]


@app.command()
@command
def render(
    sheets: Annotated[list[Path], typer.Argument(metavar="SHEET", help="Track sheets (.toml).")],
    output: Output = Path("out"),
    mix: Mixes = None,
    formats: Formats = "wav",
    voices: VoiceKind = "auto",
    soundfont: Bank = None,
    stems: Stems = False,
    rate: Rate = 44_100,
    bits: Bits = "16",
    afresh: Afresh = False,
    as_json: Json = False,
) -> None:
    """Make the audio and a MIDI file for every mix of a track sheet.

    Examples:

      underbow render my-lesson/first-track.toml -o out

      underbow render tracks/*.toml -o out --mix "backup turn" --format mp3,flac
    """
    from underbow.track.sheet.read import read_sheet

    read = all_or_none(sheets, read_sheet)
    options = render_options(formats, voices, soundfont, stems, rate, bits, afresh)
    chosen = [_mixes(sheet, mix) for sheet in read]
    reports = [_render(sheet, mixes, output, options) for sheet, mixes in zip(read, chosen, strict=True)]
    _tell(reports, as_json)


@app.command()
@command
def drill(
    chords: Annotated[list[str], typer.Argument(metavar="CHORD", help="Chord symbols, a bar each, such as C G D A.")],
    pattern: Annotated[str, typer.Option(help="A pattern's name, or a pattern file.")] = "nashville-shuffle",
    start: Annotated[int, typer.Option(metavar="N", help="Tempo of the first pass, beats a minute.")] = 60,
    goal: Annotated[int, typer.Option(metavar="N", help="Tempo of the last pass.")] = 100,
    passes: Annotated[int, typer.Option(metavar="N", help="How many times round.")] = 6,
    beat: Annotated[
        str | None, typer.Option(help="What is counted: 1/4, 3/8, 1/2; the pattern's own otherwise.")
    ] = None,
    key: Annotated[str | None, typer.Option(help="The key of the melody; by default what the chords suggest.")] = None,
    tuning: Annotated[str, typer.Option(help="Tuning of the strings.")] = "GDAE",
    strings: Annotated[str, typer.Option(help="low, middle or high.")] = "low",
    rounds: Annotated[int, typer.Option(metavar="N", help="How often the chords go round in one pass.")] = 4,
    seed: Annotated[int, typer.Option(metavar="N", help="Another number: another melody.")] = 0,
    drone: Annotated[bool, typer.Option("--drone", metavar="", help="A drone of root and fifth under it.")] = False,
    output: Output = Path("out"),
    mix: Mixes = None,
    formats: Formats = "wav",
    voices: VoiceKind = "auto",
    soundfont: Bank = None,
    stems: Stems = False,
    rate: Rate = 44_100,
    bits: Bits = "16",
    afresh: Afresh = False,
    as_json: Json = False,
) -> None:
    """Go round some chords, slow to fast, without writing a sheet first; a melody is made over them.

    Examples:

      underbow drill C G D A

      underbow drill Am G --pattern waltz-oom-pah-pah --start 80 --goal 120
    """
    from underbow.fiddle.pattern import find_pattern
    from underbow.theory.progression import Progression
    from underbow.track.sheet.read import build_sheet

    if not all(map(str.strip, chords)):
        raise InputError("an empty chord; write a chord for each bar, such as C G D A")
    Progression.parse(" | ".join(chords))  # once round, so that a wrong chord is told once
    if not 1 <= rounds <= 64:
        raise InputError(f"--rounds must be 1 to 64, not {rounds}")
    found = find_pattern(pattern, Path())
    own = (
        Path(pattern) if pattern.lower().endswith(".toml") else None
    )  # wherever it lies: there is no sheet to be beside
    table: dict[str, Any] = {
        "title": f"Round {' '.join(chords)}",
        "compose": {"seed": seed},
        "meter": str(found.grid.meter),
        "pattern": own.name if own else pattern,
        "progression": " | ".join(list(chords) * rounds),
        "tuning": tuning,
        "strings": strings,
        "tempo": {"start": start, "goal": goal, "passes": passes, **({"beat": beat} if beat else {})},
        "sound": {"drone": drone},
    }
    if key is not None:
        table["key"] = key
    options = render_options(formats, voices, soundfont, stems, rate, bits, afresh)
    sheet = build_sheet(table, own.parent if own else Path())
    _tell([_render(sheet, _mixes(sheet, mix), output, options)], as_json)


@app.command("voices")
@command
def show_voices(soundfont: Bank = None, as_json: Json = False) -> None:
    """Tell which sound is in use, which SoundFonts were found, and how to get a better one.

    Examples:

      underbow voices

      underbow voices --soundfont my-bank.sf2
    """
    from underbow.sound.choose import voices_in_use

    found = voices_in_use(soundfont)
    if as_json:
        tell_json(found.to_json())
        return
    tell(f"In use: {found.used}" + (f" through FluidSynth {found.engine}" if found.engine else ""))
    if found.trouble:
        tell(f"SoundFonts can't be used: {found.trouble}")
    for bank in found.banks:
        tell("  " + "  ".join(part for part in (str(bank.path), bank.name, bank.licence, bank.notice) if part))
    if not found.banks:
        tell("No SoundFont found. Looked in: " + ", ".join(map(str, found.places)))
    if "better" in (document := found.to_json()):
        tell(f"Better sound: {document['better']}")


def all_or_none(paths: Sequence[Path], read: Callable[[Path], Sheet]) -> list[Sheet]:
    """Read every sheet before anything is made, and tell the faults of all of them."""
    sheets: list[Sheet] = []
    faults: list[Fault] = []
    for path in paths:
        try:
            sheets.append(read(path))
        except InputError as wrong:
            faults += wrong.faults
    if faults:
        parted = " ".join(map(str, paths))
        if len(paths) > 1 and Path(parted).is_file():
            raise InputError(f'a name with spaces needs quotes round it: "{parted}"')
        raise InputError(*faults)
    return sheets


def _mixes(sheet: Sheet, names: Sequence[str] | None) -> list[Mix]:
    """Choose mixes by name; capitals and surrounding spaces don't matter."""
    if not names:
        return list(sheet.mixes)
    known = {mix.name.casefold(): mix for mix in sheet.mixes}
    wrong = [name for name in names if name.strip().casefold() not in known]
    if wrong:
        listed = ", ".join(f'"{mix.name}"' for mix in sheet.mixes)
        hint = near_miss(wrong[0].casefold(), known)
        raise InputError(f"{sheet.title}: no mix {wrong[0]!r}{hint}; it has {listed}")
    return [known[name] for name in dict.fromkeys(name.strip().casefold() for name in names)]


def render_options(
    formats: str, voices: str, soundfont: Path | None, stems: bool, rate: int, bits: str, afresh: bool
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
    )
    options.check()
    return options


def _render(sheet: Sheet, mixes: Sequence[Mix], folder: Path, options: RenderOptions) -> RenderReport:
    from underbow.sound.render import render_files
    from underbow.track.sequencer import perform

    for told in sheet.told:
        say(f"underbow: note: {told}")
    performance = perform(sheet)
    with shown_progress(sheet.title) as progress:
        report = render_files(performance, mixes, folder, replace(options, loudness=sheet.loudness), progress=progress)
    for line in report.told:
        say(f"underbow: {line}")
    return report


@contextmanager
def shown_progress(title: str) -> Iterator[Callable[[float], None] | None]:
    """Show a bar on stderr where that is a terminal."""
    import sys

    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(escape(plain(title)), total=1.0)
        yield lambda share: bar.update(task, completed=share)


def _tell(reports: Sequence[RenderReport], as_json: bool) -> None:
    from underbow.sound.files.report import pass_count
    from underbow.theory.meter import beat_words

    if as_json:
        documents = [report.to_json() for report in reports]
        tell_json(documents[0] if len(documents) == 1 else documents)
        return
    for report in reports:
        passes = report.performance.passes
        tempos = ", ".join(one.tempo.written for one in passes)
        counted = f"{beat_words(passes[0].tempo.beat)}s a minute"
        tell(f"{report.performance.title}: {pass_count(len(passes))} at {tempos} ({counted}), {report.voices}")
        for file in report.files:
            if file.seconds is None:
                tell(f"  {file.path}")
            else:
                minutes, seconds = divmod(round(file.seconds), 60)
                level = "silent" if file.lufs is None else f"{file.lufs:.1f} LUFS"
                tell(f"  {file.path}  {minutes}:{seconds:02d}  {level}")
