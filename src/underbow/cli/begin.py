"""Where one begins, and where one looks for mistakes: ``new`` and ``check``."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from contextlib import suppress
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from underbow.cli.app import app
from underbow.cli.boundary import Json, command, tell, tell_json
from underbow.errors import Fault, InputError, UnderbowError

if TYPE_CHECKING:
    from underbow.track.sheet.model import Sheet


@app.command()
@command
def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make; it must be new or empty.")],
) -> None:
    """Make a folder to start from: a track sheet, a tune and a pattern, with comments.

    Example:

      underbow new my-lesson
    """
    from underbow.files.trouble import folder_for
    from underbow.files.whole import write_whole
    from underbow.files.workplace import clear_leftovers

    clear_leftovers(folder)
    with suppress(OSError):  # what can't be looked at can't be made either
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise InputError(f"{folder} already exists and isn't empty; name a new folder")
    starter = files("underbow.cli").joinpath("starter")
    names = sorted(entry.name for entry in starter.iterdir() if entry.name.endswith((".toml", ".abc")))
    with folder_for(folder):
        for name in names:
            write_whole(folder / name, starter.joinpath(name).read_bytes())
    tell(f"Made {folder} with {', '.join(names)}.")
    tell(f"Open them in a text editor, then:  underbow render {shlex.quote(str(folder / 'first-track.toml'))}")


@app.command()
@command
def check(
    paths: Annotated[list[Path], typer.Argument(metavar="FILE", help="Track sheets, patterns (.toml), tunes.")],
    as_json: Json = False,
) -> None:
    """Check sheets, patterns and tunes, and list every problem.

    Notes below a sheet say what is used where it leaves a choice open. A recording that plays its melody is listened to.

    Example:

      underbow check tracks/*.toml
    """
    found = [(path, *_faults(path)) for path in paths]
    if as_json:
        tell_json([{"file": str(path), "faults": faults, "notes": notes} for path, faults, notes in found])
    else:
        for path, faults, notes in found:
            tell("\n".join(faults or [f"{path}: fine", *(f"  note: {note}" for note in notes)]))
    if any(faults for _, faults, _ in found):
        raise typer.Exit(2)


def _faults(path: Path) -> tuple[list[str], list[str]]:
    """Read one file as what it is; list what is wrong with it, and what is not but should be known."""
    from underbow.tables import looks_like_toml

    notes: Sequence[Fault] = ()
    try:
        if path.suffix.lower() == ".toml" or looks_like_toml(path):
            notes = _read_toml(path)
        else:
            _read_tunes(path)
    except InputError as wrong:
        return [str(fault) for fault in wrong.faults], []
    return [], [str(note) for note in notes]


def _read_toml(path: Path) -> Sequence[Fault]:
    """Read a pattern file as such, anything else as a track sheet; give what a sheet's reader tells."""
    from underbow.fiddle.pattern import read_pattern
    from underbow.tables import is_pattern, read_table, read_text
    from underbow.track.sheet.read import NEW_SHEET, build_sheet

    file = str(path)
    text = read_text(path, missing=NEW_SHEET)
    table = read_table(text, file)
    if is_pattern(table):
        read_pattern(text, file)
        return ()
    sheet = build_sheet(table, path.parent, file)
    return sheet.told if sheet.recording is None else (*sheet.told, *_heard(sheet, path.parent / sheet.recording.file))


def _heard(sheet: Sheet, recording: Path) -> list[Fault]:
    """Listen to a sheet's recording; where the means are missing, that is no fault of the sheet."""
    from underbow.jobs.recorded import check_recording

    try:
        return [Fault(line) for line in check_recording(sheet, recording)]
    except InputError:
        raise
    except UnderbowError as error:
        return [Fault(f"the recording was not listened to: {error}")]


def _read_tunes(path: Path) -> None:
    from underbow.tune.source import load_tunes

    remarks = [fault for tune in load_tunes(path) for fault in tune.told]
    if remarks:
        raise InputError(*remarks)
