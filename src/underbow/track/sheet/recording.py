"""The recording that a sheet names: that it is there, and that the bar lines set by hand are bars of the tune."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from underbow.errors import InputError
from underbow.text import one_line
from underbow.track.sheet.faults import Notebook
from underbow.track.sheet.files import beside
from underbow.track.sheet.table import RecordingTable
from underbow.tune.bars import printed_numbers
from underbow.tune.tune import Tune

LARGEST = 300_000_000  # bytes: half an hour as a WAV file
_BAR = re.compile(r"(0|[1-9]\d{0,4})(?:\.([1-9]\d{0,2}))?")


@dataclass(frozen=True, slots=True)
class NamedRecording:
    """A recording that plays the melody.

    Parameters
    ----------
    file : str
        Its name beside the sheet.
    by : str
        Whose playing it is; may be empty.
    bar_lines : tuple of ((int, int), float)
        Printed bar and how-manieth time in the recording, and the second at which it begins: what was set by hand.
    """

    file: str
    by: str = ""
    bar_lines: tuple[tuple[tuple[int, int], float], ...] = ()


def recording_of(
    table: RecordingTable | None, tune: Tune | None, folder: Path | None, notebook: Notebook
) -> NamedRecording | None:
    """Check what a sheet says of a recording; faults go into the notebook."""
    if table is None:
        return None
    notebook.attempt("recording.file", partial(_there, folder, table.file))
    known = set() if tune is None else {*printed_numbers(tune)}
    found = notebook.attempt("recording.bar_lines", _checked(table.bar_lines, known))
    return NamedRecording(table.file, one_line(table.by or "", 100), found or ())


def _there(folder: Path | None, name: str) -> None:
    path = beside(folder, name, "recording")
    size = path.stat().st_size
    if size > LARGEST:
        raise InputError(
            f'"{name}" has {size // 1_000_000} MB, the maximum is {LARGEST // 1_000_000}; cut out what is the tune'
        )


def _checked(lines: Mapping[str, float], known: set[int]) -> Callable[[], tuple[tuple[tuple[int, int], float], ...]]:
    def check() -> tuple[tuple[tuple[int, int], float], ...]:
        out: dict[tuple[int, int], float] = {}
        for name, second in lines.items():
            match = _BAR.fullmatch(name)
            if match is None:
                raise InputError(f'found "{name[:20]}", expected a bar, such as "7", or "7.2" for its second time')
            bar, time = int(match[1]), int(match[2] or 1)
            if known and bar not in known:
                raise InputError(f"there is no bar {bar}; the tune has bars {min(known)} to {max(known)}")
            out[bar, time] = float(second)
        return tuple(sorted(out.items(), key=lambda line: line[1]))

    return check
