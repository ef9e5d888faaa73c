"""The track sheet: what is practised, how, and at which tempos, read from a file and checked to the last word.

:func:`read_sheet` reads the TOML file, its tune and its patterns, and tells every fault in one go. :func:`build_sheet` does
the same from a table that is already in memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from underbow.errors import Fault, InputError
from underbow.fiddle.handshape import HandShape
from underbow.fiddle.pattern import Pattern
from underbow.fiddle.tuning import Tuning
from underbow.tables import is_pattern, read_table, read_text
from underbow.theory.progression import Progression
from underbow.track.mixes import Mix
from underbow.track.ramp import Ramp
from underbow.tune.tune import Melody, Tune

NEW_SHEET = "`underbow new DIR` makes a sheet to start from"


@dataclass(frozen=True, slots=True)
class Sheet:
    """A track sheet, everything in it read and resolved.

    Parameters
    ----------
    title : str
    file : str
        As the user named it; empty where it was no file.
    tune : Tune
        In the key that is played.
    melody : Melody
        What one pass plays: the tune in its form, its bars chosen, with the chords in force.
    patterns : tuple of (str, Pattern)
        For each section that is played, under the tune's meter, the sheet's swing applied.
    progression : Progression or None
        What was laid under the tune, or worked out for it; None where the tune's own chords are played.
    tuning : Tuning
    strings : str
        ``"low"``, ``"middle"`` or ``"high"``.
    pinned : tuple of (str, str)
        Chord and hand shape, as the teacher wants it.
    shapes : tuple of (HandShape or None)
        For each chord of the melody.
    form, bars : str
        As written; empty where the tune is played as it stands.
    ramp : Ramp
    count_in : int
        Bars.
    concert_pitch : float
        Hz of A4.
    loudness : float
        LUFS.
    seed : int
    voice : str
        The melody's instrument, one of :data:`~underbow.track.instruments.MELODY_VOICES`.
    feel_ms, feel_db : float
        How far human hands stray, at most.
    drone, tuning_notes : bool
    mixes : tuple of Mix
        At least one.
    told : tuple of Fault
        What was assumed on the way: no faults of the sheet, but worth a line.
    """

    title: str
    file: str
    tune: Tune
    melody: Melody
    patterns: tuple[tuple[str, Pattern], ...]
    progression: Progression | None
    tuning: Tuning
    strings: str
    pinned: tuple[tuple[str, str], ...]
    shapes: tuple[HandShape | None, ...]
    form: str
    bars: str
    ramp: Ramp
    count_in: int
    concert_pitch: float
    loudness: float
    seed: int
    voice: str
    feel_ms: float
    feel_db: float
    drone: bool
    tuning_notes: bool
    mixes: tuple[Mix, ...]
    told: tuple[Fault, ...] = ()

    def pattern(self, section: str) -> Pattern:
        """Give the pattern of a section."""
        return next(pattern for name, pattern in self.patterns if name == section)

    @property
    def pair(self) -> tuple[int, int]:
        """Indices of the two strings that the backup stays on."""
        return self.tuning.pair(self.strings)


def read_sheet(path: Path | str) -> Sheet:
    """Read a track sheet, its tune and its patterns.

    Parameters
    ----------
    path : Path or str
        A TOML file; the tune and any pattern file lie beside it or below.

    Raises
    ------
    InputError
        With every fault of the sheet, each naming the file and the key.
    """
    file = str(path)
    table = read_table(read_text(Path(path), file, missing=NEW_SHEET), file)
    if is_pattern(table):
        raise InputError(Fault("a pattern, not a track sheet; look at it with `underbow patterns`", file=file))
    return build_sheet(table, Path(path).parent, file)


def build_sheet(table: Mapping[str, Any], folder: Path | None = None, file: str = "") -> Sheet:
    r"""Make a sheet from the table of its file.

    Parameters
    ----------
    table : mapping
        As ``tomllib`` gives it.
    folder : Path, optional
        Where tune and pattern files are looked for; without it there can be none.
    file : str
        The name told in faults.

    Raises
    ------
    InputError
        With every fault.

    Examples
    --------
    >>> sheet = build_sheet({"abc": 'X:1\nT:Two bars\nM:4/4\nL:1/4\nK:G\n"G"GABc|"D"d4|]', "pattern": "saw",
    ...                      "tempo": {"start": 60, "goal": 80, "passes": 3}})
    >>> sheet.title, [str(tempo) for tempo in sheet.ramp.tempos], [shape.label for shape in sheet.shapes]
    ('Two bars', ['1/4 = 60', '1/4 = 70', '1/4 = 80'], ['0-0', '1-0'])
    """
    from underbow.track._sheet_build import built  # noqa: PLC0415
    from underbow.track._sheet_faults import Notebook  # noqa: PLC0415
    from underbow.track._sheet_table import checked, in_order  # noqa: PLC0415

    checked_table, faults = checked(table, file)
    notebook = Notebook(file, faults)
    sheet = built(checked_table, folder, notebook)
    if sheet is None or notebook.faults:
        raise InputError(*in_order(notebook.faults))
    return sheet
