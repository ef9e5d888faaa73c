"""A sheet read as far as it goes: every problem listed, and what still works kept in working order.

What is wrong in one place must not keep a teacher from hearing the rest. So a faulty entry is passed over, as if it weren't
there, and the sheet is read again; the problems found the first time stay.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from underbow.desk.folder import Folder
from underbow.errors import Fault, InputError
from underbow.tables import is_pattern, read_table
from underbow.theory.chord import Chord
from underbow.track.sheet.build import assemble
from underbow.track.sheet.faults import Notebook, in_place
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.table import checked, in_order

__all__ = ["Problem", "Reading", "beside", "read_as_far", "read_as_text", "read_trial", "read_with"]

_ROUNDS = 8
_BAR = re.compile(r"\bbar (\d+)")
_NO_CHORDS = {"%", "./.", "-", "N.C.", "NC", "n.c."}
# The keys of a sheet by the part of the paper that they are changed in.
_PARTS = {
    "title": "head", "key": "head", "form": "head", "bars": "head", "tune": "tune", "abc": "tune", "number": "tune",
    "compose": "tune", "meter": "tune", "progression": "changes", "changes": "changes", "shapes": "fingers",
    "tuning": "fingers", "strings": "fingers", "pattern": "bow", "tempo": "plan", "sound": "players", "mix": "players",
    "to_learner": "learner", "recording": "playing",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Problem:
    """Something wrong, and where on the paper.

    Parameters
    ----------
    part : str
        head, tune, playing, changes, fingers, bow, plan, players, learner, or sheet where it is the file as a whole.
    what : str
        As ``check`` says it, without the place.
    bar, line, column : int or None
        The printed bar; the place in the tune's text, from 1.
    key : str
        The sheet's key.
    """

    part: str
    what: str
    bar: int | None = None
    line: int | None = None
    column: int | None = None
    key: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """A sheet and what is wrong with it.

    Parameters
    ----------
    name : str
        Below the folder.
    text : str
        The sheet's.
    table : mapping
        What is written in it; empty where it is no TOML.
    sheet : Sheet or None
        None where nothing can be shown: mostly for want of a tune.
    problems : tuple of Problem
    remarks : tuple of Problem
        What was assumed, or left out of the tune: nothing is wrong, but she may have meant it otherwise. What the sheet leaves to
        the program is none of them; it stands on the paper in pencil.
    until : int or None
        The first printed bar that can't be heard.
    files : mapping of str to bytes or None
        The sheet and everything of the folder that it names, as they were read.
    left_out : mapping of str to str
        What is written and was passed over, by its keys (``tempo.start``).
    """

    name: str
    text: str
    table: Mapping[str, Any]
    sheet: Sheet | None
    problems: tuple[Problem, ...]
    remarks: tuple[Problem, ...]
    until: int | None
    files: Mapping[str, bytes | None]
    left_out: Mapping[str, str] = field(default_factory=dict)

    @property
    def tune_name(self) -> str | None:
        """Name of the tune's file below the folder; None where the tune stands in the sheet, or there is none."""
        written = self.table.get("tune")
        return beside(self.name, written) if isinstance(written, str) and written else None


def beside(sheet: str, written: str) -> str:
    """Give the name below the folder of a file that a sheet names.

    >>> beside("reels/lamplight.toml", "lamplight.abc")
    'reels/lamplight.abc'
    """
    above, slash, _ = sheet.rpartition("/")
    return above + slash + written


def read_as_far(folder: Folder, name: str) -> Reading:
    """Read a sheet of the folder.

    Raises
    ------
    InputError
        Where there is no such file, or it can't be read.
    """
    reading = read_as_text(folder, name)
    return _as_far(folder, name, reading.text, reading.table, reading.files) if reading.table else reading


def read_as_text(folder: Folder, name: str) -> Reading:
    """Read a sheet's table alone, and the files that it names; what it asks for is not worked out.

    Raises
    ------
    InputError
        As :func:`read_as_far`.
    """
    data = folder.read(name)
    files: dict[str, bytes | None] = {name: data}
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        what = "not text in UTF-8; open it in a text editor and save it again with the encoding UTF-8"
        return Reading(name, "", {}, None, (Problem("sheet", what),), (), None, files)
    try:
        table = read_table(text.replace("\r\n", "\n"), name)
    except InputError as wrong:
        problems = tuple(Problem("sheet", fault.what, line=fault.line, column=fault.column) for fault in wrong.faults)
        return Reading(name, text, {}, None, problems, (), None, files)
    if is_pattern(table):
        return Reading(name, text, {}, None, (Problem("sheet", "a pattern, not a track sheet"),), (), None, files)
    for written in _named(table):
        try:
            inner = beside(name, written)
            files[inner] = folder.found(inner)
        except InputError:
            continue  # the sheet's reader says what is wrong with it
    return Reading(name, text, table, None, (), (), None, files)


def read_trial(folder: Folder, name: str, abc: str) -> Reading:
    """Read a sheet as it would be with another text for its tune; nothing of it is written.

    Raises
    ------
    InputError
        As :func:`read_as_far`.
    """
    reading = read_as_text(folder, name)
    table = {key: value for key, value in reading.table.items() if key not in {"tune", "compose", "meter"}} | {
        "abc": abc
    }
    return _as_far(folder, name, reading.text, table, reading.files)


def read_with(folder: Folder, reading: Reading, keys: Mapping[str, Any]) -> Reading:
    """Read a sheet as it would be with other values for some of its keys (None: without them); nothing is written."""
    table = {key: value for key, value in {**reading.table, **keys}.items() if value is not None}
    return _as_far(folder, reading.name, reading.text, table, reading.files)


def _as_far(
    folder: Folder, name: str, text: str, table: Mapping[str, Any], files: Mapping[str, bytes | None]
) -> Reading:
    faults, remarks, sheet, until, kept = _read(table, folder, name)
    tune = table.get("tune")
    problems = tuple(_problem(fault, tune if isinstance(tune, str) else "") for fault in faults)
    bars = [problem.bar for problem in problems if problem.bar is not None and problem.part in {"tune", "changes"}]
    heard = min([*bars, *([until] if until is not None else [])], default=None)
    wrong = {problem.bar for problem in problems if problem.part == "tune"}
    noted = (
        replace(remark, what=fault.what) if remark.part == "tune" else remark
        for fault, remark in ((fault, _problem(fault, tune if isinstance(tune, str) else "")) for fault in remarks)
    )
    shown = tuple(
        remark for remark in noted if _bar_named(remark.what) not in wrong
    )  # that it is too short is told already
    return Reading(name, text, table, sheet, problems, shown, heard, files, _left_out(table, kept))


def _bar_named(what: str) -> int:
    found = _BAR.search(what)
    return int(found[1]) if found else -1


def _left_out(table: Mapping[str, Any], kept: Mapping[str, Any]) -> dict[str, str]:
    """Give the texts and numbers of a table that were passed over: they stay on the paper until they are put right.

    >>> _left_out({"bars": "5 to 90", "tempo": {"start": 60, "passes": "many"}}, {"tempo": {"start": 60}})
    {'bars': '5 to 90', 'tempo.passes': 'many'}
    """
    out: dict[str, str] = {}
    for key, value in table.items():
        inner = kept.get(key)
        if isinstance(value, Mapping):
            below = _left_out(value, inner if isinstance(inner, Mapping) else {})
            out |= {f"{key}.{name}": text for name, text in below.items()}
        elif value != inner and isinstance(value, str | int | float):
            out[key] = str(value)
    return out


def _named(table: Mapping[str, Any]) -> list[str]:
    """Files of the folder that a sheet names: its tune and patterns of its own."""
    pattern = table.get("pattern")
    written = [table.get("tune"), *(pattern.values() if isinstance(pattern, dict) else [pattern])]
    return [
        name
        for name in written
        if isinstance(name, str) and (name is written[0] or name.lower().endswith(".toml")) and name
    ]


def _read(
    table: Mapping[str, Any], folder: Folder, name: str
) -> tuple[Sequence[Fault], Sequence[Fault], Sheet | None, int | None, Mapping[str, Any]]:
    """Read a table, passing over what is faulty; the last that is given is what is left of it."""
    first: list[Fault] | None = None
    until: int | None = None
    above = folder.place(name).parent
    sheet = None
    for _ in range(_ROUNDS):
        checked_table, faults = checked(table, name)
        notebook = Notebook(name, faults)
        sheet = assemble(checked_table, above, notebook)
        found = in_order(notebook.faults, table)
        first = found if first is None else first
        mended, bar = _mended(table, found)
        if bar is not None:
            until = bar if until is None else min(until, bar)
        if mended == table:
            break
        table = mended
    return first or (), _remarks(sheet, table) if sheet is not None else (), sheet, until, table


def _remarks(sheet: Sheet, table: Mapping[str, Any]) -> list[Fault]:
    """Give what was assumed where something is written, and what of the tune's text was left out."""
    own = [fault for fault in sheet.told if fault.where not in {"pattern", "progression"} or fault.where in table]
    dropped = [fault for fault in sheet.tune.passed_over if fault.line is not None and not fault.what.startswith("%%")]
    return own + (dropped if "abc" not in table else [in_place(fault) for fault in dropped])


def _mended(table: Mapping[str, Any], faults: Sequence[Fault]) -> tuple[dict[str, Any], int | None]:
    """Leave out what the faults name; give the first bar that has lost a chord by it."""
    out, until = dict(table), None
    for fault in faults:
        key, _, inner = re.split(r"[,\s]", fault.where, maxsplit=1)[0].partition(".")
        inner = inner or fault.where.partition(", ")[2]
        place = re.search(r"\b(\d+)\b", fault.where)
        value = out.get(key)
        if key == "progression" and isinstance(value, str):
            out[key], bar = _silenced(value)
            until = bar if until is None or (bar is not None and bar < until) else until
            if out[key] == value:
                del out[key]
        elif key == "changes" and isinstance(value, dict):
            number = inner or (place[1] if place else "")
            out[key] = {bar: chords for bar, chords in value.items() if bar != number} if number in value else {}
            if number.isdecimal():
                until = int(number) if until is None else min(until, int(number))
        elif isinstance(value, dict) and inner in value:
            out[key] = {name: entry for name, entry in value.items() if name != inner}
        elif key in out and key not in {"tune", "abc", "compose"}:
            del out[key]
    return out, until


def _silenced(progression: str) -> tuple[str, int | None]:
    """Put no chord where one can't be read; give the first such bar, counted from 1 in the order written."""
    out: list[str] = []
    bar, first = 1, None
    for piece in re.split(r"(\||\n|[A-Za-z][A-Za-z0-9]*\s*:(?!\|)|\s+)", progression):
        ends_line = piece == "\n" and bool(out) and out[-1].strip() not in {"", "|"}
        if piece == "|" or ends_line:
            bar += 1
        elif piece and not piece.isspace() and not piece.endswith(":") and piece not in _NO_CHORDS:
            try:
                Chord.parse(piece)
            except ValueError:
                first = bar if first is None else first
                piece = "-"  # noqa: PLW2901
        out.append(piece)
    return "".join(out), first


def _problem(fault: Fault, tune: str) -> Problem:
    bar = _BAR.search(fault.where)
    key = re.split(r"[,\s]", fault.where, maxsplit=1)[0]
    part = _PARTS.get(key.partition(".")[0], "sheet")
    line = re.search(r"\bline (\d+)", fault.where)
    number = int(bar[1]) if bar else None
    if key == "changes":
        place = re.search(r"\b\d+\b", fault.where)
        return Problem(part, fault.what, int(place[0]) if place else None, key=key)
    if tune and fault.file == tune:
        part = "tune"
    where = "" if part in {"sheet", "fingers"} or key == fault.where else fault.where[len(key) :].strip(", ")
    return Problem(
        part,
        f"{where}: {fault.what}" if where and not bar else fault.what,
        number,
        fault.line if fault.line is not None else int(line[1]) if line else None,
        fault.column,
        key,
    )
