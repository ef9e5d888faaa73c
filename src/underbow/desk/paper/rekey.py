"""Another key for a sheet: what the teacher has written in chords moves with the tune."""

from __future__ import annotations

import re

from underbow.desk.folder import Folder
from underbow.desk.paper.edits import Edit
from underbow.desk.paper.reading import Reading, read_with
from underbow.theory.chord import Chord
from underbow.theory.key import Key

__all__ = ["moved", "rekeyed"]


def rekeyed(folder: Folder, reading: Reading, key: str | None) -> list[Edit]:
    """Give the changes to a sheet that bring it into another key; None for the key that the tune is written in.

    Decided bars and the progression are in the key that is played, so they move by the same interval. Hand shapes that
    were chosen for a chord go, for the chord does. A melody that was made up over the chords goes where they go.
    """
    table, sheet = reading.table, reading.sheet
    composed = "compose" in table
    edits = [] if composed and "key" not in table else [Edit(("key",), key)]
    if sheet is None:
        return edits
    if composed:
        try:
            wanted = Key.parse(key).tonic if key is not None else sheet.tune.key.tonic
        except ValueError:
            return [Edit(("key",), key)]
    else:
        other = read_with(folder, reading, {"key": key}).sheet
        if other is None:
            return edits
        wanted = other.tune.key.tonic
    fifths = wanted.fifths - sheet.tune.key.tonic.fifths
    if fifths == 0:
        return edits
    if isinstance(table.get("progression"), str):
        edits.append(Edit(("progression",), moved(table["progression"], fifths)))
    changes = table.get("changes")
    if isinstance(changes, dict):
        edits += [Edit(("changes", bar), moved(text, fifths)) for bar, text in changes.items() if isinstance(text, str)]
    if "shapes" in table:
        edits.append(Edit(("shapes",), None))
    return edits


def moved(text: str, fifths: int) -> str:
    r"""Move the chords of a text along the line of fifths; whatever else is in it stays.

    >>> moved("A: G | % | C D7\nB: Em/G | -", 2)
    'A: A | % | D E7\nB: F#m/A | -'
    """

    def one(match: re.Match[str]) -> str:
        try:
            return str(Chord.parse(match[0]).transposed(fifths))
        except ValueError:
            return match[0]

    return re.sub(r"(?<![^\s|])[A-G][^\s|:]*(?![^\s|])", one, text)
