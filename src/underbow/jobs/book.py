"""A tunebook as a course: a sheet for each of its tunes, by what a sheet does when it says nothing else, or by a template.

Without a template a tune's own chords are played, or suggested ones where it has none; the pattern is what suits its dance, and
the tempo rises over the pattern's own range. A template is a track sheet without a tune: what it says counts for every tune.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from underbow.errors import Fault, InputError
from underbow.tables import read_table, read_text
from underbow.tune.source import single_tunes

__all__ = ["BookTune", "book_tunes", "is_book", "read_template"]

_TUNE_FILES = (".abc", ".mid", ".midi", ".kar", ".smf", ".musicxml", ".mxl", ".xml")
# What belongs to a single tune, so that no template can say it.
_OF_ONE_TUNE = (
    "title",
    "tune",
    "abc",
    "compose",
    "number",
    "progression",
    "changes",
    "form",
    "bars",
    "meter",
    "recording",
)


@dataclass(frozen=True, slots=True)
class BookTune:
    """A tune of a book on its way to a job.

    Parameters
    ----------
    called : str
        Its number and title in the book, for messages.
    sheet : str
        The track sheet, in TOML.
    file : str
        The name under which the sheet knows the tune.
    content : bytes
        The tune.
    """

    called: str
    sheet: str
    file: str
    content: bytes


def is_book(path: Path) -> bool:
    """Whether a file is taken for tunes rather than for a track sheet, by its name.

    >>> is_book(Path("tunes.ABC")), is_book(Path("sheet.toml"))
    (True, False)
    """
    return path.suffix.lower() in _TUNE_FILES


def book_tunes(path: Path, template: str = "") -> Iterator[BookTune]:
    """Give a track sheet for every tune of a file.

    Parameters
    ----------
    path : Path
        ABC, MIDI or MusicXML.
    template : str
        As :func:`read_template` gives it.

    Raises
    ------
    InputError
        Where the file holds no tune.
    """
    file = "tune" + path.suffix.lower()
    for called, content in single_tunes(path):
        yield BookTune(called, f'tune = "{file}"\n{template}', file, content)


def read_template(path: Path) -> str:
    """Read a template; its lines follow the one that names the tune.

    Raises
    ------
    InputError
        Where it says what belongs to a single tune.
    """
    text = read_text(path, missing="a template is a track sheet without a tune")
    table = read_table(text, str(path))
    wrong = [name for name in _OF_ONE_TUNE if name in table]
    if wrong:
        raise InputError(
            *(
                Fault("belongs to a single tune; leave it out of a template", file=str(path), where=name)
                for name in wrong
            )
        )
    return text
