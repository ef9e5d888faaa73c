"""Small repairs to finished audio files, so that the same sound gives the same bytes.

The encoders write the time of day into float WAVs and a random serial number into Ogg files.

Sources: the PEAK chunk of RIFF/WAVE, as in libsndfile's documentation of its commands; RFC 3533 (Ogg pages).
"""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

__all__ = ["clear_peak_time", "steady_serial"]

_OGG_SERIAL = 1


def clear_peak_time(path: Path) -> None:
    """Set the time of day in a WAV's PEAK chunk to 0."""
    with path.open("rb+") as file:
        file.seek(12)
        while len(head := file.read(8)) == 8 and head[:4] != b"data":
            size = struct.unpack("<I", head[4:])[0]
            if head[:4] == b"PEAK":
                file.seek(4, 1)
                file.write(bytes(4))
                return
            file.seek(size + size % 2, 1)


def steady_serial(path: Path) -> None:
    """Give an Ogg file one fixed serial number, and its pages the checksums that go with it."""
    with path.open("rb+") as file:
        while head := file.read(27):
            start = file.tell() - len(head)
            lengths = file.read(head[26])
            page = bytearray(head + lengths + file.read(sum(lengths)))
            page[14:18] = _OGG_SERIAL.to_bytes(4, "little")
            page[22:26] = bytes(4)
            page[22:26] = _ogg_checksum(bytes(page)).to_bytes(4, "little")
            file.seek(start)
            file.write(page)


_MIRROR = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


def _ogg_checksum(page: bytes) -> int:
    """Give the checksum of RFC 3533: the polynomial of zlib's CRC-32, read from the other end and started at 0."""
    return int(f"{zlib.crc32(page.translate(_MIRROR), 0xFFFFFFFF) ^ 0xFFFFFFFF:032b}"[::-1], 2)
