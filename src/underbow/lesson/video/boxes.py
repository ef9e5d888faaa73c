"""Whether an MP4 file is whole: an encoder may end well though the last of its file was never written.

Source: ISO/IEC 14496-12, 4.2: a file is a row of boxes, each with its size (32 bits, or 64 after a size of 1) and its type.
"""

from __future__ import annotations

import struct
from pathlib import Path

__all__ = ["is_whole"]


def is_whole(path: Path) -> bool:
    """Whether a file's boxes fill it, index and content among them, the index first.

    Raises
    ------
    OSError
        If it can't be read.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "a.mp4"
    ...     boxes = [struct.pack(">I4s4x", 12, name) for name in (b"ftyp", b"moov", b"mdat")]
    ...     found = [path.write_bytes(b"".join(boxes)[:end]) and is_whole(path) for end in (36, 35, 24)]
    >>> found
    [True, False, False]
    """
    size = path.stat().st_size
    kinds = []
    with path.open("rb") as file:
        place = 0
        while place < size:
            file.seek(place)
            head = file.read(16)
            if len(head) < 8:
                return False
            length, kind = struct.unpack(">I4s", head[:8])
            if length == 1 and len(head) == 16:
                (length,) = struct.unpack(">Q", head[8:])
            if length < 8 or place + length > size:
                return False
            kinds.append(kind)
            place += length
    return b"moov" in kinds and b"mdat" in kinds and kinds.index(b"moov") < kinds.index(b"mdat")
