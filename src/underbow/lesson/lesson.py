"""The whole hand-out: for every sheet its tracks, MIDI, printed sheet and practice page; one folder, one zip."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import underbow
from underbow.files import digest, safe_name, write_whole
from underbow.lesson.contents import contents_page, learner_text, sheet_text
from underbow.lesson.options import LessonOptions
from underbow.lesson.pack import MANIFEST, Kept, make_zip, sweep, whole_folder
from underbow.lesson.practice.audio import check_length
from underbow.lesson.practice.page import make_page, page_audio
from underbow.lesson.print.handout import make_handout
from underbow.sound.render import render_files
from underbow.track.mixes import Mix
from underbow.track.ramp import Ramp, tempo_map
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.timeline import lay_out

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Made:
    """A finished lesson: its folder, its zip, and the manifest (as in ``manifest.json``)."""

    folder: Path
    zip: Path
    manifest: dict[str, Any]


def make_lesson(
    sheets: Sequence[Sheet],
    folder: Path,
    *,
    options: LessonOptions = LessonOptions(),
    title: str | None = None,
    again: bool = False,
    progress: Progress | None = None,
) -> Made:
    """Make a lesson of one sheet or several.

    Parameters
    ----------
    sheets : sequence of Sheet
        At least one, in the order of the lesson.
    folder : Path
        Appears under its name when all of it is finished; the zip beside it has the same name.
    options : LessonOptions
    title : str, optional
        The title of the first sheet otherwise.
    again : bool
        Whether an earlier lesson in this folder may be replaced; what hasn't changed is taken over from it.
    progress : callable, optional
        Told what is being made and the share done.

    Raises
    ------
    InputError, UnderbowError
        Before anything has changed.
    """
    name = title or sheets[0].title
    tell = progress or (lambda what, share: None)
    sweep(folder.parent)
    kept = Kept.read(folder)
    for sheet in sheets:  # before hours are spent on what can't be finished
        timeline = lay_out(sheet)
        check_length(tempo_map(sheet.ramp, timeline.count_in, timeline.lengths).seconds(timeline.end), sheet.title)
    with whole_folder(folder, again=again) as new:
        places = _places(sheets)
        bank = _bank(options)
        parts = []
        for index, (sheet, place) in enumerate(zip(sheets, places, strict=True)):
            stamp = _stamp(sheet, place, options, bank)
            part = kept.take_over(stamp, new)
            if part is None:
                steps = _Steps(tell, sheet.title, index, len(sheets))
                part = _make_part(sheet, new, place, options, steps) | {"stamp": stamp}
            parts.append(part)
        papers = {"README.txt": learner_text(name, sheets, places)}
        if len(sheets) > 1:
            papers["index.html"] = contents_page(name, sheets, parts)
        top = [{"path": path, "kind": "text", "sha256": write_whole(new / path, text)} for path, text in papers.items()]
        manifest: dict[str, Any] = {
            "title": name,
            "made_with": f"underbow {underbow.__version__}",
            "files": top + [file for part in parts for file in part["files"]],
            "parts": parts,
        }
        write_whole(new / MANIFEST, json.dumps(manifest, ensure_ascii=False, indent=1) + "\n")
        packed = folder.with_name(folder.name + ".zip")
        make_zip(new, packed)
    tell(name, 1.0)
    return Made(folder, packed, manifest)


@dataclass(frozen=True, slots=True)
class _Steps:
    """Counts the steps of one sheet as a share of the whole."""

    tell: Progress
    title: str
    index: int
    count: int

    def at(self, share: float) -> None:
        self.tell(self.title, (self.index + share) / self.count)


def _make_part(sheet: Sheet, root: Path, place: str, options: LessonOptions, steps: _Steps) -> dict[str, Any]:
    """Make everything of one sheet below ``root / place``; give its entry in the manifest."""
    home = root / place if place else root
    name = safe_name(sheet.title)
    performance = perform(sheet)
    sound = replace(options.sound, loudness=sheet.loudness)
    report = render_files(performance, sheet.mixes, home / "tracks", sound, progress=lambda s: steps.at(0.5 * s))
    document = report.to_json()
    files = [_entry(root, Path(file["path"]), file["kind"], file) for file in document["files"]]
    if options.each_tempo:
        for single, mixes, label in _each_tempo(sheet):
            alone = replace(sound, name=f"{name} {label}", papers=False)
            one = render_files(perform(single), mixes, home / "by tempo", alone)
            files += [_entry(root, Path(f["path"]), f["kind"], f) for f in one.to_json()["files"]]
    steps.at(0.7)
    audio = page_audio(
        performance, sheet.mixes, voices=sound.voices, soundfont=sound.soundfont, loudness=sheet.loudness
    )
    steps.at(0.95)
    written: dict[str, tuple[str, bytes | str]] = {
        f"{name}.pdf": ("handout", make_handout(sheet, paper=options.paper)),
        f"{name}.html": ("page", make_page(sheet, performance, sheet.mixes, audio)),
        f"{name}.txt": ("text", sheet_text(sheet)),
    }
    for filename, (kind, content) in written.items():
        write_whole(home / filename, content)
        files.append(_entry(root, home / filename, kind, {}))
    steps.at(1.0)
    kept = {key: document[key] for key in ("title", "passes", "bars", "voices", "told")}
    return {"place": place, **kept, "files": sorted(files, key=lambda file: file["path"])}


def _entry(root: Path, path: Path, kind: str, known: dict[str, Any]) -> dict[str, Any]:
    """Describe a file by its path below the lesson's folder."""
    figures = {
        key: known[key] for key in ("mix", "rate", "frames", "seconds", "lufs", "dbtp") if known.get(key) is not None
    }
    sha256 = known.get("sha256") or digest(path)
    return {"path": path.relative_to(root).as_posix(), "kind": kind, "sha256": sha256, **figures}


def _each_tempo(sheet: Sheet) -> Iterator[tuple[Sheet, tuple[Mix, ...], str]]:
    """Every tempo of the ramp as a track of its own, once through, with the mixes' levels of that pass."""
    for number, tempo in enumerate(sheet.ramp.tempos, start=1):
        count = round(tempo.count)
        ramp = Ramp("steady", count, count, 1, tempo.beat)
        mixes = tuple(
            Mix(mix.name, tuple((part, (mix.level(part, number),)) for part, _ in mix.levels)) for mix in sheet.mixes
        )
        yield replace(sheet, ramp=ramp), mixes, f"{number:02d} at {count}"


def _places(sheets: Sequence[Sheet]) -> list[str]:
    """Folders of the sheets below the lesson's: none for a single one, else numbered and named."""
    if len(sheets) == 1:
        return [""]
    return [f"{number:02d} {safe_name(sheet.title)}" for number, sheet in enumerate(sheets, start=1)]


def _bank(options: LessonOptions) -> str:
    """Tell which SoundFont will be played, by its place and size; empty where none is, or none can be."""
    if options.sound.voices == "builtin":
        return ""
    from underbow.sound.choose import voices_in_use  # noqa: PLC0415

    found = voices_in_use(options.sound.soundfont)
    return f"{found.banks[0].path} {found.banks[0].path.stat().st_size}" if found.used == "soundfont" else ""


def _stamp(sheet: Sheet, place: str, options: LessonOptions, bank: str) -> str:
    """Tell whether a part would come out the same: a digest of everything that goes into it."""
    asked = replace(options, sound=replace(options.sound, soundfont=None))
    content = repr((underbow.__version__, replace(sheet, file=""), place, asked, bank))
    return hashlib.sha256(content.encode()).hexdigest()
