"""From sheets on this machine to jobs: everything found, read and checked before the first of them begins."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from underbow.errors import Fault, InputError
from underbow.files import digest
from underbow.jobs.job import Bank, Job, Options, chosen_mixes
from underbow.lesson.options import LessonOptions
from underbow.lesson.practice.audio import check_length
from underbow.sound.choose import voices_in_use
from underbow.sound.options import RenderOptions
from underbow.sound.soundfont.banks import find_banks
from underbow.tables import read_table, read_text
from underbow.track.sheet.files import files_named
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import NEW_SHEET, build_sheet, read_sheet
from underbow.track.timeline import lay_out

__all__ = ["Gathered", "Voices", "find_voices", "gather", "gather_text"]

_BANKS = 2  # the best SoundFont, and one to fall back on


@dataclass(frozen=True, slots=True)
class Voices:
    """What plays on this machine.

    Parameters
    ----------
    banks : tuple of Bank
        To be tried in turn; empty where built-in voices play.
    places : mapping of str to Path
        Where each lies, by its digest.
    told : str
        A line for the user: what was taken, and how to get the other; empty where the user chose it.
    """

    banks: tuple[Bank, ...] = ()
    places: Mapping[str, Path] = field(default_factory=dict)
    told: str = ""


@dataclass(frozen=True, slots=True)
class Gathered:
    """Jobs that can begin.

    Parameters
    ----------
    jobs : tuple of Job
        In the order of the sheets.
    voices : Voices
    told : tuple of str
        What was assumed of the sheets, and what plays.
    """

    jobs: tuple[Job, ...]
    voices: Voices
    told: tuple[str, ...]


def gather(paths: Sequence[Path], options: Options, mixes: Sequence[str] = ()) -> Gathered:
    """Read every sheet with all that it names, and make a job of each.

    Parameters
    ----------
    paths : sequence of Path
        Track sheets.
    options : RenderOptions or LessonOptions
        The same for all. A loudness of the sheet's own comes before the one given here.
    mixes : sequence of str
        Names; all of each sheet's where there are none.

    Raises
    ------
    InputError
        With the faults of all sheets in one go, or of what is asked for.
    """
    sound = options if isinstance(options, RenderOptions) else options.sound
    sound.check()
    jobs: list[Job] = []
    faults: list[Fault] = []
    told: list[str] = []
    for path in paths:
        try:
            sheet = read_sheet(path)
        except InputError as wrong:
            faults += wrong.faults
            continue
        if not faults:
            text = read_text(path, missing=NEW_SHEET)
            jobs.append(_job(replace(sheet, file=path.name), text, path.parent, options, tuple(mixes)))
            told += _notes(sheet)
    if faults:
        parted = " ".join(map(str, paths))
        if len(paths) > 1 and Path(parted).is_file():
            raise InputError(f'a name with spaces needs quotes round it: "{parted}"')
        raise InputError(*faults)
    return _voiced(jobs, sound, told)


def gather_text(
    text: str, options: Options, mixes: Sequence[str] = (), *, folder: Path | None = None, name: str = ""
) -> Gathered:
    """Make a job of a sheet that is no file.

    Parameters
    ----------
    text : str
        The sheet, in TOML.
    options : RenderOptions or LessonOptions
    mixes : sequence of str
    folder : Path, optional
        Where the files lie that it names.
    name : str
        What faults call it.

    Raises
    ------
    InputError
        With all faults.
    """
    sound = options if isinstance(options, RenderOptions) else options.sound
    sound.check()
    sheet = build_sheet(read_table(text, name), folder, name)
    return _voiced([_job(sheet, text, folder or Path(), options, tuple(mixes))], sound, _notes(sheet))


def _notes(sheet: Sheet) -> list[str]:
    return [f"note: {note}" for note in sheet.told]


def _voiced(jobs: Sequence[Job], sound: RenderOptions, told: Sequence[str]) -> Gathered:
    voices = find_voices(sound)
    lines = [*told, voices.told] if voices.told else told
    return Gathered(tuple(replace(job, banks=voices.banks) for job in jobs), voices, tuple(lines))


def _job(sheet: Sheet, text: str, folder: Path, options: Options, mixes: tuple[str, ...]) -> Job:
    """Make a job of a sheet that was read from a text; its SoundFonts are still to be found."""
    timeline = lay_out(sheet)
    seconds = timeline.tempo.seconds(timeline.end)
    if isinstance(options, LessonOptions):  # before hours are spent on what can't be finished
        check_length(seconds, sheet.title)
    chosen = chosen_mixes(sheet, mixes)
    return Job(
        title=sheet.title,
        name=sheet.file,
        sheet=text.encode(),
        files=tuple((named, (folder / named).read_bytes()) for named in files_named(read_table(text, sheet.file))),
        options=options,
        mixes=tuple(mix.name for mix in chosen) if mixes else (),
        seconds=seconds,
        tracks=len(chosen),
    ).lean()


def find_voices(sound: RenderOptions) -> Voices:
    """Find out, once for all jobs, which SoundFonts may be played; none where the built-in voices are.

    Raises
    ------
    InputError
        If what is asked for can't be had.
    """
    if sound.voices == "builtin":
        if sound.soundfont is not None:
            raise InputError("use --soundfont or --voices builtin, not both")
        return Voices()
    asked = sound.voices == "soundfont" or sound.soundfont is not None
    found = voices_in_use(sound.soundfont)
    if found.trouble:
        if asked:
            raise InputError(f"a SoundFont can't be played: {found.trouble}; or use --voices builtin")
        return Voices(told=f"sound: built-in voices; for a SoundFont: {found.trouble}")
    banks = find_banks(sound.soundfont)[:_BANKS]
    known = {digest(bank.path): bank.path for bank in banks}
    told = "" if asked else f"sound: {banks[0].path}; for the built-in voices: --voices builtin"
    return Voices(tuple(Bank(sha256, path.name) for sha256, path in known.items()), known, told)
