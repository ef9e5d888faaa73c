"""A sheet's recording made ready to sound: heard, laid on the bars of a pass, its noise eased, the fiddle's own pitch found."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from underbow.ear.melody.align import FITS, align
from underbow.ear.melody.heard import Alignment, BarHeard
from underbow.ear.recording import NO_SOUND, Recording, check_opens, keep, keep_whole, read_recording
from underbow.errors import Fault, InputError
from underbow.files.workplace import scratch
from underbow.sound.ease import ease
from underbow.sound.recorded import resampled
from underbow.track.recorded import Excerpt, Recorded
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.recording import NamedRecording
from underbow.tune.tune import Bar
from underbow.tune.written_out import write_out

__all__ = [
    "MOST_SECONDS",
    "UNSURE",
    "Prepared",
    "check_readable",
    "check_recording",
    "eased",
    "hear_recording",
    "lay",
    "listened",
    "prepare",
]

MOST_SECONDS = 1800  # of a recording of one tune
UNSURE = 0.45  # a bar below this is told
_AS_SURE = 0.1  # a playing that is surer by no more than that is no better
_MOST_TOLD = 6  # bars
_RING = 1.5  # seconds
_BEFORE = 0.08  # seconds before the next bar that are no ringing


@dataclass(frozen=True, slots=True)
class Prepared:
    """A sheet with its recording.

    Parameters
    ----------
    sheet : Sheet
        Tuned as the recording.
    recorded : Recorded
    told : tuple of str
        Whose playing it is, how it is tuned, and what is in doubt.
    played : frozenset of (int, int)
        The bars of the recording that a pass plays: number, and how-manieth time in the recording.
    """

    sheet: Sheet
    recorded: Recorded
    told: tuple[str, ...]
    played: frozenset[tuple[int, int]]


def listened(path: Path, folder: Path) -> Recording:
    """Read a recording that is to play a melody, as the ear looks at it.

    Parameters
    ----------
    path : Path
    folder : Path
        Where samples are kept while they are looked at.

    Raises
    ------
    InputError
        Where it can't be read, or is too long.
    """
    with _without_its_path(path):
        recording = read_recording(path, folder, MOST_SECONDS)
    if not len(recording.sound):
        raise InputError(NO_SOUND)
    return recording


def hear_recording(sheet: Sheet, recording: Recording, bar_lines: Mapping[tuple[int, int], float]) -> Alignment:
    """Lay a recording on a sheet's tune.

    Parameters
    ----------
    sheet : Sheet
    recording : Recording
    bar_lines : mapping of (int, int) to float
        What was set by hand: printed bar and how-manieth time in the recording, and second.

    Raises
    ------
    InputError
        Where it isn't of this tune.
    """
    ramp = sheet.ramp
    about = float((ramp.tempos[0].quarters_per_minute + ramp.tempos[-1].quarters_per_minute) / 2)
    return align(recording, write_out(sheet.tune), about, bar_lines)


def eased(path: Path, folder: Path, rate: int | None = None) -> tuple[Path, int]:
    """Write a recording's samples, its noise eased, at a rate or at its own; give their file and the rate.

    Raises
    ------
    InputError
        As :func:`listened`.
    """
    with _without_its_path(path):
        whole, own = keep_whole(path, folder, MOST_SECONDS)
    pieces = ease(np.memmap(whole, np.float32, "r"))
    if rate is not None and rate != own:
        pieces = resampled(keep(pieces, folder, "own.f32"), own, rate)
    keep(pieces, folder, "eased.f32")
    for spent in (whole, folder / "own.f32"):
        with suppress(OSError):
            spent.unlink(missing_ok=True)
    return folder / "eased.f32", rate or own


def prepare(sheet: Sheet, path: Path, folder: Path) -> Prepared:
    """Make a sheet's recording ready.

    Parameters
    ----------
    sheet : Sheet
        With a recording.
    path : Path
        The recording.
    folder : Path
        Stays as long as the result is used.

    Raises
    ------
    InputError
        Where it can't be read, or isn't of this tune, or lacks bars that are to be played; the fault names the sheet.
    """
    with _at_its_place(sheet) as named:
        alignment = hear_recording(sheet, listened(path, folder), dict(named.bar_lines))
        return lay(sheet, alignment, *eased(path, folder))


def check_readable(sheet: Sheet, path: Path) -> None:
    """See that a sheet's recording can be read, as far as that shows at its beginning; raises InputError as :func:`prepare`."""
    with _at_its_place(sheet), _without_its_path(path):
        check_opens(path, MOST_SECONDS)


def check_recording(sheet: Sheet, path: Path) -> tuple[str, ...]:
    """Listen to a sheet's recording, and tell what is to be known of it: whose it is, its pitch, what is in doubt.

    Raises
    ------
    InputError
        As :func:`prepare`.
    UnderbowError
        Where the means to listen are missing.
    """
    with _at_its_place(sheet) as named, scratch() as folder:
        alignment = hear_recording(sheet, listened(path, folder), dict(named.bar_lines))
        tuned = replace(sheet, concert_pitch=round(alignment.pitch, 1))
        return tuple(_told(tuned, alignment, _chosen(sheet, alignment)))


@contextmanager
def _at_its_place(sheet: Sheet) -> Iterator[NamedRecording]:
    """Let what is wrong with a sheet's recording name the sheet, and the recording in it."""
    named = sheet.recording
    assert named is not None  # noqa: S101
    try:
        yield named
    except InputError as error:
        faults = [Fault(fault.what, file=sheet.file, where=f'recording, "{named.file}"') for fault in error.faults]
        raise InputError(*faults) from None


def lay(sheet: Sheet, alignment: Alignment, samples: Path, rate: int) -> Prepared:
    """Lay a recording that was heard on what a pass of a sheet plays.

    Parameters
    ----------
    sheet : Sheet
    alignment : Alignment
    samples : Path
        As :func:`eased` wrote them.
    rate : int
        Theirs.

    Raises
    ------
    InputError
        Where it lacks bars that are to be played.
    """
    chosen = _chosen(sheet, alignment)
    excerpts = _excerpts(sheet.melody.bars, chosen, alignment.bars)
    level = _level(np.memmap(samples, np.float32, "r"), rate, excerpts)
    by = sheet.recording.by if sheet.recording else ""
    begun = sorted({note.seconds for note in alignment.notes if note.fits >= FITS})
    recorded = Recorded(samples, rate, excerpts, level, by, tuple(begun))
    tuned = replace(sheet, concert_pitch=round(alignment.pitch, 1))
    played = frozenset((bar.number, bar.time) for bar in chosen if bar is not None)
    return Prepared(tuned, recorded, tuple(_told(tuned, alignment, chosen)), played)


@contextmanager
def _without_its_path(path: Path) -> Iterator[None]:
    """Leave the place at which a recording lies for the moment out of what is said of it: nobody else knows it."""
    try:
        yield
    except InputError as error:
        raise InputError(*(fault.what.removeprefix(f"{path}: ") for fault in error.faults)) from None


def _chosen(sheet: Sheet, alignment: Alignment) -> list[BarHeard | None]:
    """For each bar of a pass the one that is taken: the next one in the recording where it can be, else the first that is sure.

    Raises
    ------
    InputError
        Where bars are wanted that weren't played.
    """
    by_number: dict[int, list[int]] = {}
    for at, heard in enumerate(alignment.bars):
        by_number.setdefault(heard.number, []).append(at)
    out: list[BarHeard | None] = []
    missing: list[int] = []
    before = -2
    for bar in sheet.melody.bars:
        there = by_number.get(bar.number, [])
        if not there:
            out.append(None)
            if bar.number:
                missing.append(bar.number)
            before = -2
            continue
        follows = before + 1 in there and alignment.bars[before + 1].points[0][1] - alignment.bars[before].end < 0.02
        if not follows:
            stretch = {at: _run(alignment.bars, at) for at in there}
            before = next(at for at in there if stretch[at] >= max(stretch.values()) - _AS_SURE)
        else:
            before += 1
        out.append(alignment.bars[before])
    if missing:
        listed = ", ".join(map(str, sorted(set(missing))[:8]))
        raise InputError(f"bar {listed} isn't in it; play the whole tune, or take only the bars that were played")
    return out


def _run(bars: Sequence[BarHeard], at: int) -> float:
    """How sure the bars from one on are."""
    return round(float(np.mean([bar.sure for bar in bars[at : at + 8]])), 2)


def _excerpts(
    bars: Sequence[Bar], chosen: Sequence[BarHeard | None], played: Sequence[BarHeard]
) -> tuple[Excerpt, ...]:
    out: list[Excerpt] = []
    begins = [bar.start for bar in played]
    points: list[tuple[Fraction, float]] = []

    def close() -> None:
        if len(points) > 1:
            end = points[-1][1]
            following = bisect_right(begins, end + 0.2)
            free = begins[following] - _BEFORE if following < len(begins) else end + _RING
            nearer = next((begin for begin in begins if end - 0.05 < begin <= end + 0.2), None)
            out.append(Excerpt(tuple(points), end + 0.05 if nearer is not None else max(free, end)))
        points.clear()

    for bar, heard in zip(bars, chosen, strict=True):
        if heard is None:
            close()
            continue
        if points and abs(points[-1][1] - heard.start) > 0.02:
            close()
        whole = heard.points[-1][0]
        share = bar.length / whole if bar.length > whole else Fraction(1)
        here = [(bar.start + at * share, second) for at, second in heard.points if at <= bar.length or share > 1]
        points += [point for point in here if not points or (point[0] > points[-1][0] and point[1] > points[-1][1])]
    close()
    return tuple(out)


def _level(sound: np.ndarray, rate: int, excerpts: Sequence[Excerpt]) -> float:
    """RMS of what is played, dB."""
    power, count = 0.0, 0
    for excerpt in excerpts:
        piece = sound[round(excerpt.points[0][1] * rate) : round(excerpt.points[-1][1] * rate)].astype(np.float64)
        power, count = power + float((piece**2).sum()), count + len(piece)
    return float(10 * np.log10(power / max(count, 1) + 1e-12))


def _told(sheet: Sheet, alignment: Alignment, chosen: Sequence[BarHeard | None]) -> list[str]:
    named = sheet.recording
    assert named is not None  # noqa: S101
    whose = f"{named.by}'s own playing" if named.by else "a recording"
    lines = [f"the melody is {whose} ({named.file}), with A at {sheet.concert_pitch:g} Hz, to which the rest is tuned"]
    if named.by:
        lines.append(f"hand it on only if {named.by} agrees to it")
    else:
        lines.append("hand it on only if whoever plays agrees to it")
    lines += alignment.told
    doubtful = [bar for bar in dict.fromkeys(bar for bar in chosen if bar) if bar.doubts or bar.sure < UNSURE]
    lines += [f"{bar.called}: {'; '.join(bar.doubts) or 'its place is unsure'}" for bar in doubtful[:_MOST_TOLD]]
    if len(doubtful) > _MOST_TOLD:
        lines.append(f"{len(doubtful) - _MOST_TOLD} more bars differ from the notes")
    if chosen and chosen[0] is None:
        lines.append("the recording begins without the pickup, so it is left out")
    return lines
