"""Where tunes come from: ABC text, ABC files in any encoding, MIDI files, MusicXML; and the choice of one in a tunebook."""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path
from typing import TypeVar

from underbow.errors import Fault, InputError, near_miss
from underbow.files.trouble import plain_file
from underbow.tune.abc.encoding import decoded
from underbow.tune.abc.headings import headings
from underbow.tune.abc.reader import read_abc, read_one
from underbow.tune.abc.text import tunes_of
from underbow.tune.tune import Heading, Tune

MOST_BYTES = 64_000_000
MOST_TUNES = 100_000  # in a book
T = TypeVar("T")
_MUSICXML = (".musicxml", ".mxl", ".xml")
_NO_TUNE = "no tune; an ABC tune begins with a line X:1 and has a line K: before its notes"
# What teachers have tunes in, or beside them, but no reader reads: by its ending, and by its first bytes.
_NO_TUNES = (".docx", ".doc", ".odt", ".rtf", ".pdf", ".jpg", ".jpeg", ".png", ".heic", ".mp3", ".wav", ".toml")
_NO_TUNE_HEADS = (b"%PDF", b"\xff\xd8\xff", b"\x89PNG", b"ID3", b"{\\rtf", b"OggS", b"fLaC")
_OFFICE = (b"[Content_Types].xml", b"mimetypeapplication/vnd.oasis")  # in a .docx or .odt under another name
_MIDI = (".mid", ".midi", ".kar", ".smf")


def load_tunes(source: Path | str, *, strict: bool = False) -> tuple[Tune, ...]:
    r"""Read every tune of a file or of an ABC text.

    Parameters
    ----------
    source : Path or str
        A Path, or a string without a line end, names a file; a string of several lines is ABC text.
    strict : bool
        Whether what would be assumed is an error.

    Raises
    ------
    InputError
        Where there is no such file, it holds no tune, or it can't be read.

    >>> [tune.title for tune in load_tunes("X:1\nT:One\nK:D\nd4|\n\nX:2\nT:Two\nK:G\ng4|")]
    ['One', 'Two']
    """
    found, name = _opened(source, ""), _name(source, "")
    if isinstance(found, str):
        return _some(read_abc(found, file=name, strict=strict), name)
    return (_melody_of(found, name, strict=strict),)


def list_book(path: Path) -> tuple[Heading, ...]:
    """List the tunes of an ABC file from their headers; of any other kind of file nothing, for it holds one tune.

    Raises
    ------
    InputError
        Where there is no such file, or it holds no tune.
    """
    found = _opened(path, "")
    return _some(headings(found), str(path)) if isinstance(found, str) else ()


def single_tunes(path: Path) -> tuple[tuple[str, bytes], ...]:
    """Give every tune of a file as a file of its own: its name by number and title, and its content.

    Raises
    ------
    InputError
        Where there is no such file, or it holds no tune.
    """
    found = _opened(path, "")
    if isinstance(found, bytes):
        return ((path.stem, found),)
    texts = _some(tuple(tunes_of(found)), str(path))
    named = zip(headings(found), texts, strict=True)
    return tuple(
        (
            f"tune {heading.number}" + (f", {heading.title}" if heading.title else ""),
            "".join(f"{line.text}\n" for line in (*text.header, *text.lines)).encode(),
        )
        for heading, text in named
    )


def _opened(source: Path | str, file: str) -> str | bytes:
    """ABC text, or the bytes of a file of another kind."""
    if isinstance(source, str) and ("\n" in source or "\r" in source):
        return source
    path = Path(source)
    data = _bytes(path, _name(source, file))
    suffix = path.suffix.lower()
    of_office = data.startswith(b"PK") and any(name in data for name in _OFFICE)
    if suffix in _NO_TUNES or data.startswith(_NO_TUNE_HEADS) or of_office:
        raise InputError(
            Fault("not a tune; write it in ABC as plain text, or give MIDI (.mid) or MusicXML", _name(source, file))
        )
    if suffix in (*_MIDI, *_MUSICXML) or data.startswith((b"MThd", b"<?xml", b"PK\x03\x04")):
        return data
    return decoded(data)


def _name(source: Path | str, file: str) -> str:
    return file or ("" if isinstance(source, str) and ("\n" in source or "\r" in source) else str(source))


def _melody_of(data: bytes, name: str, *, strict: bool) -> Tune:
    """Read the melody of a file that is not ABC."""
    if data.startswith(b"MThd") or name.lower().endswith(_MIDI):
        from underbow.tune.midi.reader import read_midi  # noqa: PLC0415  mido is needed for MIDI only

        return read_midi(data, file=name, strict=strict)
    from underbow.tune.musicxml import read_musicxml  # noqa: PLC0415  an optional extra

    return read_musicxml(data, file=name, strict=strict)


def load_tune(
    source: Path | str,
    number: int | None = None,
    title: str | None = None,
    *,
    file: str = "",
    strict: bool = False,
) -> Tune:
    r"""Read one tune of a file or of an ABC text.

    Parameters
    ----------
    source : Path or str
        See :func:`load_tunes`.
    number : int or None
        The tune's number in its book (its ``X:`` line).
    title : str or None
        Its title, or a part of it that no other title has; capitals, accents and marks do not matter.
    strict : bool
        Whether what would be assumed of this tune is an error.

    Raises
    ------
    InputError
        Also where the choice is not clear, or the tune holds no note.

    >>> load_tune("X:1\nT:One\nK:D\nd4|\n\nX:2\nT:Two\nK:G\ng4|", title="two").key.tonic.letter
    'G'
    """
    name = _name(source, file)
    found = _opened(source, file)
    if isinstance(found, bytes):
        return _melody_of(found, name, strict=strict)
    index = _chosen(headings(found), number, title, name)
    tune = read_one(found, index, file=name)
    if not any(measure.notes for measure in tune.measures):
        called = f"tune {tune.number}" + (f", {tune.title}" if tune.title else "")
        raise InputError(*((not tune.measures and tune.told) or [Fault("the tune has no notes", name, where=called)]))
    if strict and tune.told:
        raise InputError(*tune.told)
    return tune


def _bytes(path: Path, name: str) -> bytes:
    try:
        plain_file(path, name)
        if path.stat().st_size > MOST_BYTES:
            raise InputError(Fault(f"the file is larger than {MOST_BYTES // 1_000_000} MB; divide it", name))
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError(Fault("no such file; check its name, its ending and its folder", name)) from None
    except IsADirectoryError:
        raise InputError(Fault("a folder; name a tune's file in it", name)) from None
    except (OSError, ValueError) as fault:
        why = fault.strerror if isinstance(fault, OSError) and fault.strerror else str(fault)
        raise InputError(Fault(f"can't be read: {why}", name)) from None


def _some(tunes: tuple[T, ...], name: str) -> tuple[T, ...]:
    if not tunes:
        raise InputError(Fault(_NO_TUNE, name))
    if len(tunes) > MOST_TUNES:
        raise InputError(Fault(f"{len(tunes)} tunes, the maximum is {MOST_TUNES}; divide the book", name))
    return tunes


def _plain(title: str) -> str:
    """Write a title as one would type it on any keyboard."""
    letters = "".join(char for char in unicodedata.normalize("NFD", title) if not unicodedata.combining(char))
    return re.sub(r"[^\w]+", " ", letters.casefold().replace("'", "").replace("’", "")).strip()


def _chosen(book: tuple[Heading, ...], number: int | None, title: str | None, name: str) -> int:
    """Index of the tune asked for."""
    found = list(range(len(_some(book, name))))
    if number is not None:
        found = [i for i in found if book[i].number == number]
        if not found:
            have = ", ".join(str(its.number) for its in book[:10]) + (", ..." if len(book) > 10 else "")
            raise InputError(Fault(f"no tune has the number {number}; there are {have}", name))
    if title is not None:
        wanted = _plain(title)
        exact = [i for i in found if _plain(book[i].title) == wanted]
        part = [i for i in found if wanted and wanted in _plain(book[i].title)]
        if not exact and not part:
            miss = near_miss(title, [book[i].title for i in found])
            raise InputError(Fault(f"no tune has the title {title!r}{miss}", name))
        found = exact or part
    if len(found) == 1 or (number is not None and title is None):
        return found[0]
    some = "; ".join(f"{book[i].number} {book[i].title}" for i in found[:6]) + ("; ..." if len(found) > 6 else "")
    raise InputError(Fault(f"{len(found)} tunes; choose one by its number or its title: {some}", name))
