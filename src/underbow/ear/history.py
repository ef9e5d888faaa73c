"""What was heard before: one SQLite file beside the takes, kept only where it is asked for.

Its schema has a version (SQLite's ``user_version``); a file of a later one is left alone. Two runs at once wait for
each other.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from underbow.ear.report import Heard
from underbow.errors import UnderbowError

NAME = "underbow-history.sqlite"
SCHEMA = 1
_TABLES = """
CREATE TABLE takes (
  id INTEGER PRIMARY KEY, digest TEXT NOT NULL, sheet TEXT NOT NULL, name TEXT NOT NULL, recorded TEXT NOT NULL,
  verdict TEXT NOT NULL, UNIQUE (digest, sheet)
);
CREATE TABLE passes (
  take INTEGER NOT NULL REFERENCES takes ON DELETE CASCADE, tempo REAL NOT NULL, beat TEXT NOT NULL, strokes INTEGER NOT NULL,
  judged INTEGER NOT NULL, median_ms REAL, within_ms REAL, cents REAL
);
"""


@dataclass(frozen=True, slots=True)
class Progress:
    """One tempo of one take.

    Parameters
    ----------
    take : str
        The recording's name.
    recorded : str
        When, as ISO 8601.
    tempo : float
        Beats a minute.
    beat : str
    judged, strokes : int
    median_ms, within_ms : float or None
        Lateness in the middle; within how much 95 of 100 strokes came.
    cents : float or None
        By how much fingers were off in the middle, whichever way.
    """

    take: str
    recorded: str
    tempo: float
    beat: str
    judged: int
    strokes: int
    median_ms: float | None
    within_ms: float | None
    cents: float | None


def remember(folder: Path, heard: Heard, *, take: str, digest: str, recorded: str) -> tuple[Progress, ...]:
    """Write a take into the history of its folder, once, and give all that is known of its sheet.

    Parameters
    ----------
    folder : Path
        Where the takes lie.
    heard : Heard
    take, digest, recorded : str
        The recording's name, its SHA-256, and when it was made.

    Returns
    -------
    tuple of Progress
        Of this sheet, the earliest first.

    Raises
    ------
    UnderbowError
        If the history can't be read or written.
    """
    with _opened(folder / NAME) as base:
        sheet = heard.performance.title
        base.execute("DELETE FROM takes WHERE digest = ? AND sheet = ?", (digest, sheet))
        cursor = base.execute(
            "INSERT INTO takes (digest, sheet, name, recorded, verdict) VALUES (?, ?, ?, ?, ?)",
            (digest, sheet, take, recorded, heard.verdict),
        )
        base.executemany(
            "INSERT INTO passes VALUES (?, ?, ?, ?, ?, ?, ?, ?)", [(cursor.lastrowid, *row) for row in _rows(heard)]
        )
        return _known(base, sheet)


def recall(folder: Path, sheet: str) -> tuple[Progress, ...] | None:
    """Give all that is known of a sheet, by its title, the earliest first; None where the folder keeps no history.

    Raises
    ------
    UnderbowError
        If the history can't be read.
    """
    if not (folder / NAME).is_file():
        return None
    with _opened(folder / NAME) as base:
        return _known(base, sheet)


def forget(folder: Path, sheet: str) -> None:
    """Forget all takes of a sheet; with the last of all sheets goes the file.

    Raises
    ------
    UnderbowError
        If the history can't be written.
    """
    if not (folder / NAME).is_file():
        return
    with _opened(folder / NAME) as base:
        base.execute("PRAGMA secure_delete = ON")
        base.execute("DELETE FROM takes WHERE sheet = ?", (sheet,))
        left = base.execute("SELECT count(*) FROM takes").fetchone()[0]
    if left == 0:
        with suppress(OSError):
            (folder / NAME).unlink()


def _known(base: sqlite3.Connection, sheet: str) -> tuple[Progress, ...]:
    found = base.execute(
        "SELECT name, recorded, tempo, beat, judged, strokes, median_ms, within_ms, cents FROM passes JOIN takes "
        "ON takes.id = passes.take WHERE sheet = ? ORDER BY recorded, takes.id, tempo",
        (sheet,),
    )
    return tuple(Progress(*row) for row in found)


def _rows(heard: Heard) -> Iterator[tuple[object, ...]]:
    for played in heard.performance.passes:
        strokes = heard.of_pass(played.playing)
        if not strokes:
            continue
        offs = np.array([stroke.off_ms for stroke in strokes if stroke.off_ms is not None])
        cents = [abs(value) for stroke in strokes for *_, value in stroke.cents if value is not None]
        middle, within = (float(np.median(offs)), float(np.quantile(np.abs(offs), 0.95))) if len(offs) else (None, None)
        off = float(np.median(cents)) if cents else None
        yield float(played.tempo.count), played.tempo.beat_name, len(strokes), len(offs), middle, within, off


@contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    try:
        base = sqlite3.connect(path, timeout=20, isolation_level=None)
        try:
            base.execute("PRAGMA foreign_keys = ON")
            base.execute("BEGIN IMMEDIATE")
            version = base.execute("PRAGMA user_version").fetchone()[0]
            if version > SCHEMA:
                raise UnderbowError(f"{path}: written by a later version of Underbow; left as it is")
            if version == 0:
                for statement in filter(str.strip, _TABLES.split(";")):
                    base.execute(statement)
                base.execute(f"PRAGMA user_version = {SCHEMA}")
            yield base
            base.execute("COMMIT")
        finally:
            base.close()
    except sqlite3.Error as error:
        raise UnderbowError(
            f"{path}: the history can't be kept: {error}; move the file away to begin a new one"
        ) from error
