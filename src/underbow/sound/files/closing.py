"""Whether an encoder came to its end: libsndfile loses a disk's error that it meets while it closes a file.

What it writes last then is not there: the lengths in the header of a WAV (players find no sound), the sizes of frames in the
header of a FLAC, the last pages of an Ogg stream.

Sources: EBU Tech 3306 (RF64), RFC 9639 (FLAC, 8.2), RFC 3533 (Ogg pages).
"""

from __future__ import annotations

import os
import struct
from pathlib import Path
from typing import BinaryIO

__all__ = ["closed_well"]

_IN_DS64 = 0xFFFFFFFF
_LAST_PAGE = 4


def closed_well(path: Path, format: str) -> bool:
    r"""Tell whether a file that holds some sound has what is written last.

    Parameters
    ----------
    path : Path
    format : {"wav", "flac", "ogg"}

    Raises
    ------
    OSError
        If it can't be read.

    >>> import tempfile, soundfile
    >>> with tempfile.NamedTemporaryFile(suffix=".wav") as file:
    ...     soundfile.write(file.name, [0.0] * 100, 8_000)
    ...     print(closed_well(Path(file.name), "wav"))
    ...     _ = file.seek(4), file.write(b"\x08\0\0\0"), file.flush()
    ...     print(closed_well(Path(file.name), "wav"))
    True
    False
    """
    with path.open("rb") as file:
        match format:
            case "wav":
                return _riff(file)
            case "flac":
                return _flac(file)
            case _:
                return _ogg(file)


def _riff(file: BinaryIO) -> bool:
    """Hold the length that the header states, in RF64 that of its first chunk, against the file's."""
    head = file.read(28)
    size = os.fstat(file.fileno()).st_size - 8
    stated = int.from_bytes(head[4:8], "little")
    return size == (struct.unpack("<Q", head[20:28])[0] if stated == _IN_DS64 else stated)


def _flac(file: BinaryIO) -> bool:
    """See whether the sizes of the smallest and the largest frame are there, which are written last."""
    head = file.read(18)
    return any(head[12:15]) and any(head[15:18])


def _ogg(file: BinaryIO) -> bool:
    """Count the pages, up to the one that is marked as the last."""
    count, last = 0, False
    while len(head := file.read(27)) == 27:
        if last or int.from_bytes(head[18:22], "little") != count:
            return False
        count, last = count + 1, bool(head[5] & _LAST_PAGE)
        file.seek(sum(file.read(head[26])), 1)
    return last
