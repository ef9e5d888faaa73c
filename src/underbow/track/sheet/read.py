"""The track sheet: what is practised, how, and at which tempos, read from a file and checked to the last word.

:func:`read_sheet` reads the TOML file, its tune and its patterns, and tells every fault in one go. :func:`build_sheet` does
the same from a table that is already in memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from underbow.errors import Fault, InputError
from underbow.tables import is_pattern, read_table, read_text
from underbow.track.sheet.build import assemble
from underbow.track.sheet.faults import Notebook
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.table import checked, in_order

NEW_SHEET = "`underbow new DIR` makes a sheet to start from"


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
    return sheet_of(read_text(Path(path), missing=NEW_SHEET), Path(path).parent, str(path))


def sheet_of(text: str, folder: Path | None = None, file: str = "") -> Sheet:
    """Make a sheet from the text of its file; the rest as :func:`build_sheet`."""
    table = read_table(text, file)
    if is_pattern(table):
        raise InputError(Fault("a pattern, not a track sheet; look at it with `underbow patterns`", file=file))
    return build_sheet(table, folder, file)


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
    checked_table, faults = checked(table, file)
    notebook = Notebook(file, faults)
    sheet = assemble(checked_table, folder, notebook)
    if sheet is None or notebook.faults:
        raise InputError(*in_order(notebook.faults, table))
    return sheet
