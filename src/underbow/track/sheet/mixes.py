"""The ``[[mix]]`` tables to mixes."""

from __future__ import annotations

from underbow.text import one_line
from underbow.track.mixes import PARTS, STANDARD_MIXES, Mix
from underbow.track.sheet.faults import Notebook
from underbow.track.sheet.table import EXPECTED, MixTable


def mixes_of(tables: tuple[MixTable | None, ...], notebook: Notebook) -> tuple[Mix, ...]:
    """Read the mixes, but for those that can't be; the standard ones where there is none."""
    names = ["" if mix is None else one_line(mix.name).lower() for mix in tables]
    for number, (mix, name) in enumerate(zip(tables, names, strict=True), start=1):
        if mix is None:
            continue
        if not name:
            notebook.say(f"mix {number}.name", f"nothing in it can be read; write {EXPECTED['mix.name']}")
        elif names.index(name) != number - 1:
            notebook.say(f"mix {number}.name", f'"{mix.name}" is used twice; give each mix its own name')
        if not any(getattr(mix, part) is not None for part in PARTS):
            notebook.say(f"mix {number}", "no part is heard; write a level in dB for one, such as melody = 0")
    return tuple(_mix(mix) for mix in tables if mix is not None) or STANDARD_MIXES


def _mix(table: MixTable) -> Mix:
    levels = []
    for part in PARTS:
        written = getattr(table, part)
        if written is not None:
            values = written if isinstance(written, list) else [written]
            levels.append((part, tuple(None if value == "off" else float(value) for value in values)))
    return Mix(one_line(table.name), tuple(levels), table.turns)
