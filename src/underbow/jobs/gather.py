"""From sheets on this machine to jobs: everything found, read and checked before the first of them begins."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from underbow.errors import Fault, InputError
from underbow.files.names import apart, safe_name
from underbow.files.whole import digest
from underbow.files.workplace import scratch
from underbow.jobs.book import book_tunes, is_book, read_template
from underbow.jobs.job import Bank, Job, Options, chosen_mixes
from underbow.jobs.recorded import check_readable
from underbow.lesson.options import LessonOptions
from underbow.lesson.practice.audio import check_length
from underbow.lesson.video.film import check_means
from underbow.lesson.video.options import VideoOptions
from underbow.sound.choose import how_to_ask, voices_in_use
from underbow.sound.options import RenderOptions
from underbow.sound.soundfont.banks import find_banks
from underbow.tables import read_table, read_text
from underbow.track.sheet.files import beside, files_named
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import NEW_SHEET, sheet_of
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

    @property
    def title(self) -> str:
        """Name what is made of them all, where nobody named it: by the first sheet's title, and how many more there are."""
        first, *more = self.jobs
        return f"{first.title} and {len(more)} more" if more else first.title


def gather(
    paths: Sequence[Path],
    options: Options,
    mixes: Sequence[str] = (),
    *,
    template: Path | None = None,
    video: VideoOptions | None = None,
) -> Gathered:
    """Read every sheet with all that it names, and make a job of each.

    Parameters
    ----------
    paths : sequence of Path
        Track sheets, and tunebooks, of which every tune becomes a sheet.
    options : RenderOptions or LessonOptions
        The same for all. A loudness of the sheet's own comes before the one given here.
    mixes : sequence of str
        Names; all of each sheet's where there are none.
    template : Path, optional
        What the sheets of a tunebook say beside their tune; see :mod:`underbow.jobs.book`.
    video : VideoOptions, optional
        What videos of the tracks are to look like, where there shall be any.

    Raises
    ------
    InputError
        With the faults of all sheets in one go, or of what is asked for. A tune of a book is rather left out, and told, as
        long as there are others.
    """
    sound = options if isinstance(options, RenderOptions) else options.sound
    sound.check()
    jobs: list[Job] = []
    faults: list[Fault] = []
    remarks: list[str] = []
    for path in paths:
        try:
            if is_book(path):
                more, notes = _book(path, template, options, tuple(mixes))
            else:
                text = read_text(path, missing=NEW_SHEET)
                sheet = sheet_of(text, path.parent, str(path))
                more, notes = (
                    [_job(replace(sheet, file=path.name), text, path.parent, options, tuple(mixes))],
                    _notes(sheet),
                )
        except InputError as wrong:
            faults += wrong.faults
        else:
            jobs += more
            remarks += notes
    if faults:
        parted = " ".join(map(str, paths))
        if len(paths) > 1 and Path(parted).is_file():
            raise InputError(f'a name with spaces needs quotes round it: "{parted}"')
        raise InputError(*faults)
    return _voiced(_named_apart(jobs), sound, remarks, video)


def _book(path: Path, template: Path | None, options: Options, mixes: tuple[str, ...]) -> tuple[list[Job], list[str]]:
    """Make a job of every tune of a book; tell which can't be played, and which pattern or chords were chosen by us."""
    jobs: list[Job] = []
    wrong: list[Fault] = []
    text = "" if template is None else read_template(template)
    more = () if template is None else _pattern_files(text, template)
    with scratch() as place:
        for tune in book_tunes(path, text):
            blank = Job("", path.name, tune.sheet.encode(), ((tune.file, tune.content), *more), options, mixes)
            try:
                jobs.append(_measured(blank.lean(), blank.read(place)))
            except InputError as error:
                what = "; ".join(dict.fromkeys(fault.what for fault in error.faults))
                wrong.append(Fault(what, file=str(path), where=tune.called))
    if not jobs:
        raise InputError(*wrong)
    return jobs, [f"left out: {fault}" for fault in wrong]


def _pattern_files(text: str, template: Path) -> tuple[tuple[str, bytes], ...]:
    """Read the pattern files that a template names."""
    names = files_named(read_table(text, str(template)))
    return tuple((name, beside(template.parent, name, "pattern").read_bytes()) for name in names)


def _named_apart(jobs: Sequence[Job]) -> list[Job]:
    """Number the files of renders whose sheets are called alike, so that none replaces another's."""
    usual = [safe_name(job.title) for job in jobs]
    return [
        replace(job, options=replace(job.options, name=new))
        if new != old and isinstance(job.options, RenderOptions)
        else job
        for job, old, new in zip(jobs, usual, apart(usual), strict=True)
    ]


def gather_text(
    text: str,
    options: Options,
    mixes: Sequence[str] = (),
    *,
    folder: Path | None = None,
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

    Raises
    ------
    InputError
        With all faults.
    """
    sound = options if isinstance(options, RenderOptions) else options.sound
    sound.check()
    sheet = sheet_of(text, folder)
    return _voiced([_job(sheet, text, folder or Path(), options, tuple(mixes))], sound, _notes(sheet), None)


def _notes(sheet: Sheet) -> list[str]:
    return [f"note: {note}" for note in sheet.told]


def _voiced(jobs: Sequence[Job], sound: RenderOptions, remarks: Sequence[str], video: VideoOptions | None) -> Gathered:
    if video is not None:
        check_means()
    voices = find_voices(sound)
    lines = [*remarks, voices.told] if voices.told else remarks
    return Gathered(tuple(replace(job, banks=voices.banks, video=video) for job in jobs), voices, tuple(lines))


def _job(sheet: Sheet, text: str, folder: Path, options: Options, mixes: tuple[str, ...]) -> Job:
    """Make a job of a sheet that was read from a text; its SoundFonts are still to be found."""
    names = files_named(read_table(text, sheet.file))
    if sheet.recording is not None:
        check_readable(sheet, folder / sheet.recording.file)
    files = tuple((name, (folder / name).read_bytes()) for name in names)
    return _measured(Job(sheet.title, sheet.file, text.encode(), files, options, mixes).lean(), sheet)


def _measured(job: Job, sheet: Sheet) -> Job:
    """Note what the sheet of a job tells: its title, how long it is, which mixes are chosen.

    Raises
    ------
    InputError
        If it has no such mix, or is too long for a practice page that is asked for.
    """
    timeline = lay_out(sheet)
    seconds = timeline.tempo.seconds(timeline.end)
    if isinstance(job.options, LessonOptions):  # before hours are spent on what can't be finished
        check_length(seconds, sheet.title)
    chosen = chosen_mixes(sheet, job.mixes)
    mixes = tuple(mix.name for mix in chosen) if job.mixes else ()
    tracks = job.options.chosen(chosen) if isinstance(job.options, LessonOptions) else chosen
    return replace(job, title=sheet.title, mixes=mixes, seconds=seconds, tracks=len(tracks))


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
    if found.used == "builtin" and not asked:
        return Voices(told=f"sound: built-in voices; for a SoundFont: {how_to_ask(found.banks)}")
    banks = [bank for bank in find_banks(sound.soundfont) if asked or bank.as_good][:_BANKS]
    known = {digest(bank.path): bank.path for bank in banks}
    remark = "" if asked else f"sound: {banks[0].path}; for the built-in voices: --voices builtin"
    return Voices(tuple(Bank(sha256, path.name) for sha256, path in known.items()), known, remark)
