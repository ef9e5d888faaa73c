"""A sheet as plain data for the page: each part with its drawing, its words, and what of it is in pencil or in ink."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

from underbow.desk.paper.book import page_of
from underbow.desk.paper.changes import PrintedBar, printed_bars
from underbow.desk.paper.drawing import NARROW, WIDE, hand, staff
from underbow.desk.paper.reading import Problem, Reading
from underbow.errors import InputError
from underbow.fiddle.drawing.grid_svg import draw_grid_svg
from underbow.fiddle.shapes.search import shapes_for, written_shape
from underbow.fiddle.tuning import NAMED
from underbow.lesson.print.handout import shown_shapes
from underbow.lesson.print.staff import staff_tune
from underbow.text import signs
from underbow.theory.chord import Chord
from underbow.track.mixes import STANDARD_MIXES, Mix
from underbow.track.sheet.model import Sheet
from underbow.tune.abc.writer import to_abc
from underbow.tune.harmony.harmonise import DOUBTFUL

__all__ = ["choices", "problems_shown", "version", "view"]

_MOST_CHOICES = 8


def version(reading: Reading) -> str:
    """Give a mark that changes when the sheet, its tune or a pattern of its own changes."""
    mark = hashlib.sha256()
    for name, content in sorted(reading.files.items()):
        mark.update(f"{name}\0{-1 if content is None else len(content)}\0".encode())
        mark.update(content or b"")
    return mark.hexdigest()


def view(reading: Reading, *, narrow: bool = False) -> dict[str, Any]:
    """Lay a sheet out for the page.

    Parameters
    ----------
    reading : Reading
    narrow : bool
        Whether the staff is engraved for a narrow paper, and a bowing drawn with a bar to a line.

    Returns
    -------
    dict
        ``name version problems remarks text until left_out tune title learner recording``; where the tune could be read ``head
        staff changes order fingers bow plan room players`` as well. ``until`` is the first bar that can't be heard;
        ``left_out`` is what is written and passed over, by its keys.
    """
    table, sheet = reading.table, reading.sheet
    out: dict[str, Any] = {
        "name": reading.name,
        "version": version(reading),
        "problems": problems_shown(reading),
        "remarks": _shown(reading.remarks, page_of(reading).lines),
        "text": reading.text if sheet is None else "",
        "until": reading.until,
        "left_out": dict(reading.left_out),
        "tune": _tune(reading) if table else None,  # where the sheet can't be read, there is nothing to write it into
        "title": {
            "text": _text(table.get("title")) or (sheet.title if sheet else reading.name),
            "ink": "title" in table,
        },
        "learner": _text(table.get("to_learner")),
        "recording": _recording(table),
    }
    if sheet is None:
        return out
    bars = printed_bars(sheet, table)
    return out | {
        "head": _head(sheet, table),
        "staff": staff(staff_tune(sheet), NARROW if narrow else WIDE),
        "changes": [_bar(bar, table.get("changes")) for bar in bars],
        "order": [section.name for section in sheet.melody.sections],
        "fingers": _fingers(sheet, table),
        "bow": _bow(sheet, table, columns=1 if narrow else 2),
        "plan": _plan(sheet, table),
        "room": {"is": sheet.room, "ink": isinstance(table.get("sound"), dict) and "room" in table["sound"]},
        "players": {
            "mixes": [_mix(mix, sheet) for mix in sheet.mixes],
            "ink": "mix" in table,
            "standard": sheet.mixes == STANDARD_MIXES,
        },
    }


def problems_shown(reading: Reading, lines: int = 0) -> list[dict[str, Any]]:
    """Give the problems as plain data, their lines counted from the tune's own first one.

    Parameters
    ----------
    reading : Reading
    lines : int
        Before the tune, where it stands in the sheet; where it has a file of its own, that tells.
    """
    return _shown(reading.problems, lines or page_of(reading).lines)


def _shown(problems: Sequence[Problem], lines: int) -> list[dict[str, Any]]:
    keys = ("part", "what", "bar", "line", "column", "key")
    return [
        {key: getattr(problem, key) for key in keys}
        | ({"line": problem.line - lines} if problem.part == "tune" and problem.line is not None else {})
        for problem in problems
    ]


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _recording(table: Mapping[str, Any]) -> dict[str, Any] | None:
    """What the sheet says of the recording that plays its melody; None where it names none."""
    written = table.get("recording")
    if not isinstance(written, dict):
        return None
    lines = written.get("bar_lines")
    return {
        "file": _text(written.get("file")),
        "by": _text(written.get("by")),
        "lines": {str(name): second for name, second in lines.items()} if isinstance(lines, dict) else {},
    }


def _tune(reading: Reading) -> dict[str, Any]:
    """The tune's text, where it may be changed: in its file, or in the sheet."""
    table, name = reading.table, reading.tune_name
    if name is not None:
        is_abc = name.lower().endswith((".abc", ".txt"))
        page = page_of(reading)
        return {"abc": page.text if is_abc else "", "file": name, "own": is_abc, "number": page.number}
    if isinstance(table.get("abc"), str):
        return {"abc": table["abc"].strip("\n") + "\n", "file": None, "own": True}
    composed = reading.sheet is not None and "compose" in table
    text = to_abc(reading.sheet.tune) if composed and reading.sheet is not None else ""
    return {"abc": text, "file": None, "own": False, "composed": composed}


def _head(sheet: Sheet, table: Mapping[str, Any]) -> dict[str, Any]:
    key = sheet.tune.key
    sections = list(dict.fromkeys(measure.section for measure in sheet.tune.measures if measure.section))
    return {
        "tonic": str(key.tonic),
        "mode": key.mode,
        "key_ink": "key" in table,
        "meter": str(sheet.tune.meter),
        "dance": sheet.tune.rhythm,
        "composer": sheet.tune.composer,
        "form": sheet.form or "".join(section.name for section in sheet.melody.sections),
        "form_ink": "form" in table,
        "bars": sheet.bars,
        "sections": sections,
        "first_bar": min((bar.number for bar in sheet.melody.bars), default=1),
        "last_bar": max((bar.number for bar in sheet.melody.bars), default=0),
    }


def _bar(bar: PrintedBar, decided: object) -> dict[str, Any]:
    typed = decided.get(str(bar.number)) if isinstance(decided, dict) else None
    return {
        "rubbed": typed is not None,
        "typed": typed,
        "number": bar.number,
        "measures": list(bar.measures),
        "section": bar.section,
        "ending": list(bar.ending),
        "line": bar.line,
        "played": bar.played,
        "chords": [signs(chord) for chord in bar.chords],
        "written": " ".join(bar.chords),
        "ink": bar.decided,
        "sure": None if bar.sure is None else round(bar.sure, 2),
        "doubtful": bar.sure is not None and bar.sure < DOUBTFUL,
        "others": [[signs(chords), chords, round(sure, 2)] for chords, sure in bar.others],
    }


def _fingers(sheet: Sheet, table: Mapping[str, Any]) -> dict[str, Any]:
    pinned = {_spelled(symbol) for symbol, _ in sheet.pinned}
    return {
        "shapes": [
            {
                "chord": signs(str(chord)),
                "written": str(chord),
                "label": shape.label,
                "svg": hand(chord, shape),
                "ink": str(chord) in pinned,
            }
            for chord, shape in shown_shapes(sheet)
        ],
        "refused": [_refused(sheet, *written) for written in _pins(table) if _spelled(written[0]) not in pinned],
        "tuning": sheet.tuning.name,
        "tuning_ink": "tuning" in table,
        "tunings": list(NAMED),
        "strings": sheet.strings,
        "strings_ink": "strings" in table,
    }


def _pins(table: Mapping[str, Any]) -> list[tuple[str, str]]:
    written = table.get("shapes")
    return [(name, str(label)) for name, label in written.items()] if isinstance(written, dict) else []


def _refused(sheet: Sheet, symbol: str, label: str) -> dict[str, Any]:
    """A shape that the teacher has decided and that can't be played, drawn where it can be."""
    shape = written_shape(label, sheet.tuning, sheet.pair)
    try:
        chord = Chord.parse(symbol)
    except ValueError:
        chord = None
    return {
        "chord": signs(symbol),
        "written": symbol,
        "of": _spelled(symbol),
        "label": label,
        "svg": hand(chord, shape) if chord is not None and shape is not None else "",
    }


def _spelled(symbol: str) -> str:
    try:
        return str(Chord.parse(symbol))
    except ValueError:
        return symbol


def choices(sheet: Sheet, symbol: str) -> list[dict[str, Any]]:
    """Draw the shapes that a chord may take on the sheet's strings, the best first.

    Raises
    ------
    InputError
        Where it is no chord.
    """
    try:
        chord = Chord.parse(symbol)
    except ValueError as error:
        raise InputError(str(error)) from None
    others = tuple(dict.fromkeys(span.chord for span in sheet.melody.chords if span.chord is not None))
    found = shapes_for(chord, sheet.tuning, sheet.pair, others=others)
    return [{"label": shape.label, "svg": hand(chord, shape)} for shape in found[:_MOST_CHOICES]]


def _bow(sheet: Sheet, table: Mapping[str, Any], *, columns: int) -> dict[str, Any]:
    written = table.get("pattern")
    names = written if isinstance(written, dict) else {}
    return {
        "sections": [
            {
                "section": section,
                "name": pattern.name,
                "title": pattern.title,
                "about": pattern.about,
                "svg": draw_grid_svg(pattern, columns=columns),
                "bars": pattern.grid.bars * (2 if pattern.grid.flips else 1),
                "ink": section in names or isinstance(written, str),
                "own": _own_file(names.get(section, written)),
                "rows": {
                    "meter": str(pattern.grid.meter),
                    "cells": pattern.grid.cells,
                    "bow": pattern.grid.bow,
                    "accent": pattern.grid.accent,
                    "strings": pattern.grid.strings,
                    "swing": pattern.grid.swing,
                    "retake": pattern.grid.retake,
                },
            }
            for section, pattern in sheet.patterns
        ],
        "one": not isinstance(written, dict),
    }


def _own_file(written: object) -> str | None:
    return written if isinstance(written, str) and written.lower().endswith(".toml") else None


def _plan(sheet: Sheet, table: Mapping[str, Any]) -> dict[str, Any]:
    tempo = table.get("tempo")
    ink = sorted(tempo) if isinstance(tempo, dict) else []
    ramp = sheet.ramp
    return {
        "kind": ramp.kind,
        "start": ramp.start,
        "goal": ramp.goal,
        "passes": ramp.passes,
        "step": ramp.step,
        "each": getattr(ramp, "each", 1),
        "between": getattr(ramp, "between", 0),
        "count_in": sheet.count_in,
        "beat": ramp.tempos[0].beat_name,
        "tempos": [[round(float(begin.count), 1), round(float(end.count), 1)] for begin, end in ramp.spans],
        "ink": ink,
    }


def _mix(mix: Mix, sheet: Sheet) -> dict[str, Any]:
    """A mix by its parts: for each pass the dB, None where the part is silent."""
    passes = range(1, sheet.ramp.passes + 1)
    parts = ["melody", "backup", "rhythm", "click", *(["drone"] if sheet.drone else [])]
    return {
        "name": mix.name,
        "turns": mix.turns,
        "levels": {part: [mix.level(part, number) for number in passes] for part in parts},
    }
