"""The patterns of a sheet: by name, by section, from a file beside it, or what suits the tune."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

from underbow.errors import near_miss
from underbow.fiddle.pattern import Pattern, default_pattern, find_pattern
from underbow.track.sheet.faults import Notebook
from underbow.track.sheet.files import beside
from underbow.track.sheet.table import SheetTable
from underbow.tune.tune import Melody, Tune


def named_patterns(table: SheetTable, folder: Path | None, notebook: Notebook) -> dict[str, Pattern]:
    """Find the patterns that a sheet names: by section, or under an empty name for all."""
    written = table.pattern
    names = {} if written is None else {"": written} if isinstance(written, str) else written
    out = {}
    for section, name in names.items():
        found = notebook.attempt(f"pattern.{section}" if section else "pattern", partial(_found, name, folder))
        if found is not None:
            out[section] = found
    return out


def patterns_played(
    table: SheetTable, tune: Tune, melody: Melody, named: dict[str, Pattern], notebook: Notebook
) -> tuple[tuple[str, Pattern], ...]:
    """Give each section that is played its pattern, under the tune's meter; nothing where one has none."""
    played = list(dict.fromkeys(bar.section for bar in melody.full_bars))
    if isinstance(table.pattern, dict):
        known = list(dict.fromkeys(m.section for m in tune.measures))
        _check_sections(table.pattern, known, played if notebook.is_whole("form", "bars") else [], notebook)
    swing = table.sound.swing
    out = []
    for section in played:
        pattern: Pattern | None = named.get(section) or named.get("")
        if pattern is None:
            if table.pattern is not None or not notebook.is_whole("pattern"):
                continue  # told already
            pattern = default_pattern(tune.meter, tune.rhythm)
            if section == played[0]:
                notebook.tell("pattern", f"no pattern given; using {pattern.name}, which suits the tune")
        pattern = notebook.attempt("pattern", partial(pattern.fitted, tune.meter))
        if pattern is not None and swing is not None:
            pattern = notebook.attempt("sound.swing", partial(_swung, pattern, float(swing)))
        if pattern is not None:
            out.append((section, pattern))
    return tuple(out) if len(out) == len(played) else ()


def _found(name: str, folder: Path | None) -> Pattern:
    if name.lower().endswith(".toml"):
        path = beside(folder, name, "pattern")
        return find_pattern(path.name, path.parent)
    return find_pattern(name)


def _check_sections(written: dict[str, str], known: list[str], played: list[str], notebook: Notebook) -> None:
    for section in written:
        if section not in known:
            hint = near_miss(section, known)
            notebook.say(f"pattern.{section}", f"no such section{hint}; the tune has {', '.join(known)}")
    missing = [section for section in played if section not in written]
    if missing:
        notebook.say("pattern", f"no pattern for section {', '.join(missing)}; write one for each")


def _swung(pattern: Pattern, swing: float) -> Pattern:
    return replace(pattern, grid=replace(pattern.grid, swing=swing))
