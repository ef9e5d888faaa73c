"""Strokes that were worked out once, kept on the disk for the next time.

A stroke's key is a digest of all that decides its sound: the stroke, the fiddle, the rate, and the code that computes it. Files
are small and whole or not there; what is broken is worked out anew; when there are too many, those go that were longest not
used. Whatever goes wrong, strokes are worked out as if there were no shelf.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import struct
import time
from contextlib import suppress
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np

from underbow.files.caches import cache_folder
from underbow.sound.synth.bowed.fiddle import Stroke
from underbow.sound.voice.voices import Action

__all__ = ["Shelf"]

CAP = 512 << 20  # bytes
_HEAD = struct.Struct("<4sId")
_MARK = b"bow1"
_A_DAY = 86_400


class Shelf:
    """A folder of strokes.

    Parameters
    ----------
    folder : Path or None
        Made when the first stroke is kept; None keeps nothing.
    fiddle : str
        What decides the sound besides the stroke and the code.
    cap : int
        Bytes.
    """

    def __init__(self, folder: Path | None, fiddle: str, cap: int = CAP) -> None:
        self._folder, self._cap = folder, cap
        self._fiddle = f"{_code()} {fiddle}"

    @classmethod
    def usual(cls, fiddle: str) -> Shelf:
        """The shelf of this user."""
        return cls(cache_folder("strokes"), fiddle)

    def _path(self, action: Action) -> Path:
        assert self._folder is not None  # noqa: S101  asked by the caller
        key = hashlib.sha256(f"{self._fiddle} {action!r}".encode()).hexdigest()[:40]
        return self._folder / key[:2] / key

    def take(self, action: Action) -> Stroke | None:
        """Give a stroke; None where it isn't kept, or isn't whole."""
        if self._folder is None:
            return None
        path = self._path(action)
        try:
            data = path.read_bytes()
            mark, count, unit = _HEAD.unpack_from(data)
            if mark != _MARK or len(data) != _HEAD.size + 2 * count + 4:
                return None
            if data[-4:] != _check(data[:-4]):
                return None
            if time.time() - path.stat().st_mtime > _A_DAY:
                os.utime(path)
        except (OSError, struct.error):
            return None
        return Stroke(np.frombuffer(data, "<i2", count, _HEAD.size).astype(np.int16), unit)

    def has(self, action: Action) -> bool:
        """Whether a stroke is kept."""
        return self._folder is not None and self._path(action).exists()

    def keep(self, action: Action, stroke: Stroke) -> None:
        """Keep a stroke."""
        if self._folder is None:
            return
        path = self._path(action)
        data = _HEAD.pack(_MARK, len(stroke.whole), stroke.unit) + stroke.whole.astype("<i2").tobytes()
        with suppress(OSError):
            path.parent.mkdir(parents=True, exist_ok=True)
            part = path.with_name(f"{path.name}.{secrets.token_hex(6)}")
            try:
                part.write_bytes(data + _check(data))
                part.replace(path)
            except OSError:
                part.unlink(missing_ok=True)
                raise

    def tidy(self) -> None:
        """Clear away the longest unused where there is too much."""
        if self._folder is None:
            return
        with suppress(OSError):
            found = [(entry.stat().st_mtime, entry.stat().st_size, entry) for entry in self._folder.glob("??/*")]
            total = sum(size for _, size, _ in found)
            for _, size, entry in sorted(found, key=lambda one: one[:2]):
                if total <= self._cap:
                    return
                entry.unlink(missing_ok=True)
                total -= size


def _check(data: bytes) -> bytes:
    return hashlib.blake2b(data, digest_size=4).digest()


@cache
def _code() -> str:
    """Digest the code that decides how a stroke sounds."""
    found = hashlib.sha256()
    synth = files("underbow.sound.synth")
    for place in (
        "bowed/exact.py",
        "bowed/fiddle.py",
        "bowed/hand.py",
        "bowed/lengths.py",
        "bowed/strings.py",
        "bowed/wood.py",
        "legato.py",
    ):
        found.update((synth / place).read_bytes().replace(b"\r\n", b"\n"))
    return found.hexdigest()[:16]
