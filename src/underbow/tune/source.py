"""Where tunes come from: ABC text, ABC files in any encoding, MIDI files, MusicXML; and the choice of one in a tunebook."""

from __future__ import annotations

import codecs
import re
from pathlib import Path

from underbow.errors import Fault, InputError, near_miss
from underbow.tune.abc import read_abc
from underbow.tune.abc_notes import Accidentals
from underbow.tune.tune import Tune

MOST_BYTES = 64_000_000
_CHARSET = re.compile(rb"(?:^|\n)(?:%%|I:)\s*(?:abc-)?charset\s+([\w.-]+)", re.IGNORECASE)
_MUSICXML = (".musicxml", ".mxl", ".xml")
_MIDI = (".mid", ".midi", ".kar", ".smf")


def load_tunes(
    source: Path | str, *, file: str = "", accidentals: Accidentals = "pitch", strict: bool = False
) -> tuple[Tune, ...]:
    """Read every tune of a file or of an ABC text.

    Parameters
    ----------
    source : Path or str
        A Path, or a string without a line end, names a file; a string of several lines is ABC text.
    file : str
        The name told in faults; by default the path.
    accidentals : {"pitch", "octave", "not"}
        See :func:`~underbow.tune.abc.read_abc`.
    strict : bool
        Whether what would be assumed is an error.

    Raises
    ------
    InputError
        Where there is no such file, it holds no tune, or it can't be read.
    """
    if isinstance(source, str) and ("\n" in source or "\r" in source):
        return _some(read_abc(source, file=file, accidentals=accidentals, strict=strict), file)
    path = Path(source)
    name = file or str(source)
    data = _bytes(path, name)
    suffix = path.suffix.lower()
    if data[:4] == b"MThd" or suffix in _MIDI:
        from underbow.tune.midifile import read_midi  # noqa: PLC0415  mido is needed for MIDI only

        return (read_midi(data, file=name, strict=strict),)
    if suffix in _MUSICXML or data[:5] == b"<?xml" or data[:4] == b"PK\x03\x04":
        from underbow.tune.musicxml import read_musicxml  # noqa: PLC0415  an optional extra

        return (read_musicxml(data, file=name, strict=strict),)
    return _some(read_abc(decoded(data), file=name, accidentals=accidentals, strict=strict), name)


def load_tune(
    source: Path | str,
    number: int | None = None,
    title: str | None = None,
    *,
    file: str = "",
    accidentals: Accidentals = "pitch",
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
        Its title, or a part of it that no other title has; capitals, accents of the keyboard and marks do not matter.
    strict : bool
        Whether what would be assumed of this tune is an error.

    Raises
    ------
    InputError
        Also where the choice is not clear, or the tune holds no note.

    >>> load_tune("X:1\nT:One\nK:D\nd4|\n\nX:2\nT:Two\nK:G\ng4|", title="two").key.tonic.letter
    'G'
    """
    name = file or ("" if isinstance(source, str) and "\n" in source else str(source))
    tune = _chosen(load_tunes(source, file=file, accidentals=accidentals), number, title, name)
    if not any(measure.notes for measure in tune.measures):
        refused = [fault for fault in tune.told if "divide it" in fault.what or "take repeats off" in fault.what]
        raise InputError(*(refused or [Fault("the tune has no notes", name, where=_called(tune))]))
    if strict and tune.told:
        raise InputError(*tune.told)
    return tune


def decoded(data: bytes) -> str:
    """Turn a file's bytes into text: what it says it is, else UTF-8, UTF-16 with its mark, else Windows Latin-1.

    >>> decoded("Ó Carolan".encode("latin-1")), decoded("Ó Carolan".encode())
    ('Ó Carolan', 'Ó Carolan')
    """
    for mark, encoding in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if data.startswith(mark):
            return data.decode(encoding, errors="replace")
    said = _CHARSET.search(data[:4096])
    for encoding in (said[1].decode() if said else "", "utf-8", "cp1252"):
        try:
            if encoding:
                return data.decode(encoding)
        except (LookupError, UnicodeDecodeError):
            continue
    return data.decode("latin-1")


def _bytes(path: Path, name: str) -> bytes:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise InputError(Fault(f"the file is larger than {MOST_BYTES // 1_000_000} MB; divide it", name))
        return path.read_bytes()
    except (OSError, ValueError) as fault:
        why = fault.strerror if isinstance(fault, OSError) and fault.strerror else str(fault)
        raise InputError(Fault(f"can't be read: {why}", name)) from None


def _some(tunes: tuple[Tune, ...], name: str) -> tuple[Tune, ...]:
    if not tunes:
        raise InputError(Fault("no tune; an ABC tune begins with a line X:1 and has a line K: before its notes", name))
    return tunes


def _called(tune: Tune) -> str:
    return f"tune {tune.number}" + (f", {tune.title}" if tune.title else "")


def _plain(title: str) -> str:
    return re.sub(r"[^\w]+", " ", title.casefold().replace("'", "").replace("’", "")).strip()


def _chosen(tunes: tuple[Tune, ...], number: int | None, title: str | None, name: str) -> Tune:
    found = list(tunes)
    if number is not None:
        found = [tune for tune in found if tune.number == number]
        if not found:
            have = ", ".join(str(tune.number) for tune in tunes[:10]) + (", ..." if len(tunes) > 10 else "")
            raise InputError(Fault(f"no tune has the number {number}; there are {have}", name))
    if title is not None:
        wanted = _plain(title)
        exact = [tune for tune in found if _plain(tune.title) == wanted]
        part = [tune for tune in found if wanted and wanted in _plain(tune.title)]
        if not exact and not part:
            miss = near_miss(title, [tune.title for tune in found])
            raise InputError(Fault(f"no tune has the title {title!r}{miss}", name))
        found = exact or part
    if len(found) == 1 or (number is not None and title is None):
        return found[0]
    some = "; ".join(f"{tune.number} {tune.title}" for tune in found[:6]) + ("; ..." if len(found) > 6 else "")
    raise InputError(Fault(f"{len(found)} tunes; choose one by its number or its title: {some}", name))
