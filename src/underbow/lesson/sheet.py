"""Everything of one sheet of a lesson: tracks with their MIDI, practice page, sheet to print, in a folder of its own."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from underbow.files.names import safe_name
from underbow.files.trouble import make_folder
from underbow.files.whole import digest, write_whole
from underbow.lesson.contents import sheet_text
from underbow.lesson.options import LessonOptions
from underbow.lesson.practice.page import make_page, page_audio, sound_files
from underbow.lesson.print.handout import make_handout
from underbow.sound.render import render_files
from underbow.track.mixes import Mix
from underbow.track.performance import Performance
from underbow.track.ramp import Ramp
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet

__all__ = ["make_sheet"]


def make_sheet(
    sheet: Sheet,
    performance: Performance,
    mixes: Sequence[Mix],
    folder: Path,
    *,
    options: LessonOptions = LessonOptions(),
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Make all files of one sheet.

    Parameters
    ----------
    sheet : Sheet
    performance : Performance
        Of this sheet.
    mixes : sequence of Mix
        Of this sheet.
    folder : Path
    options : LessonOptions
    progress : callable, optional
        Told the share done, 0 to 1. What it raises stops the work.

    Returns
    -------
    dict
        ``title``, ``passes``, ``bars``, ``voices``, ``told`` as in a render's report, and ``files``: each with its path below
        the folder, its ``kind`` and its ``sha256``.

    Raises
    ------
    InputError, UnderbowError
        As :func:`~underbow.sound.render.render_files`.
    """
    tell = progress or (lambda share: None)
    name = safe_name(sheet.title)
    sound = options.sound
    tracks = options.chosen(mixes)
    report = render_files(
        performance, tracks, folder / "tracks", sound, progress=lambda share: tell(0.5 * share)
    ).to_json()
    files = [_entry(folder, Path(file["path"]), file["kind"], file) for file in report["files"]]
    if options.each_tempo:
        for single, levels, label in _each_tempo(sheet, tracks):
            alone = replace(sound, name=f"{name} {label}", papers=False)
            played = replace(perform(single), recorded=performance.recorded)
            tracks_alone = render_files(played, levels, folder / "by tempo", alone, progress=lambda _: tell(0.6))
            files += [_entry(folder, Path(f["path"]), f["kind"], f) for f in tracks_alone.to_json()["files"]]
    tell(0.7)
    audio = page_audio(
        performance, mixes, voices=sound.voices, soundfont=sound.soundfont, kept=sound.kept, loudness=sound.loudness,
        progress=lambda share: tell(0.7 + 0.25 * share),
    )  # fmt: skip
    told = list(report["told"])
    beside = "sound" if options.site else ""
    written: dict[str, tuple[str, bytes | str]] = {
        **{f"{beside}/{file}": ("sound", piece) for file, piece in sound_files(audio) if beside},
        f"{name}.pdf": ("handout", make_handout(sheet, paper=options.paper, tell=told.append)),
        f"{name}.html": ("page", make_page(sheet, performance, mixes, audio, beside=beside)),
        f"{name}.txt": ("text", sheet_text(sheet)),
    }
    if beside:
        make_folder(folder / beside)
    for filename, (kind, content) in written.items():
        write_whole(folder / filename, content)
        files.append(_entry(folder, folder / filename, kind, {}))
    tell(1.0)
    return report | {"told": told, "files": sorted(files, key=lambda file: file["path"])}


def _entry(root: Path, path: Path, kind: str, known: dict[str, Any]) -> dict[str, Any]:
    """Describe a file by its path below the sheet's folder."""
    figures = {
        key: known[key] for key in ("mix", "rate", "frames", "seconds", "lufs", "dbtp") if known.get(key) is not None
    }
    sha256 = known.get("sha256") or digest(path)
    return {"path": path.relative_to(root).as_posix(), "kind": kind, "sha256": sha256, **figures}


def _each_tempo(sheet: Sheet, mixes: Sequence[Mix]) -> Iterator[tuple[Sheet, tuple[Mix, ...], str]]:
    """Every tempo of the ramp as a track of its own, once through, with the mixes' levels of that pass."""
    for number, tempo in enumerate(sheet.ramp.tempos, start=1):
        count = round(tempo.count)
        ramp = Ramp("steady", count, count, 1, tempo.beat)
        levels = tuple(
            Mix(mix.name, tuple((part, (mix.level(part, number),)) for part, _ in mix.levels)) for mix in mixes
        )
        yield replace(sheet, ramp=ramp), levels, f"{number:02d} at {count}"
