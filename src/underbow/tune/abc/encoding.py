"""How the bytes of an ABC file become text."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from contextlib import suppress

_MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
_CHARSET = re.compile(rb"(?:^|[\r\n])(?:%%|I:)\s*(?:abc-)?charset\s+([\w.-]+)", re.IGNORECASE)


def decoded(data: bytes) -> str:
    """Turn a file's bytes into text: what it says it is, else UTF-8, UTF-16 with its mark, else Windows Latin-1.

    >>> decoded("Ó Carolan".encode("latin-1")), decoded("Ó Carolan".encode())
    ('Ó Carolan', 'Ó Carolan')
    """
    for mark, encoding in encodings(data):
        with suppress(LookupError, UnicodeError):  # no such encoding, or it is not in it
            return data[len(mark) :].decode(encoding, errors="replace" if mark else "strict")
    return data.decode("latin-1")


def encodings(data: bytes) -> Iterator[tuple[bytes, str]]:
    r"""Give what a file's bytes may be written in, the likeliest first: the mark that they begin with, and the encoding.

    >>> list(encodings("Ó".encode("utf-8-sig"))), [name for _, name in encodings(b"%%abc-charset iso-8859-2")][:2]
    ([(b'\xef\xbb\xbf', 'utf-8')], ['iso-8859-2', 'utf-8'])
    """
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            yield mark, encoding
            return
    said = _CHARSET.search(data[:4096])
    yield from ((b"", name) for name in (said[1].decode() if said else "utf-8", "utf-8", "cp1252", "latin-1"))
