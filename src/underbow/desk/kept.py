"""What was found out about tunes, kept on the disk for the next time the desk is started.

It stands in one file of the user's cache folder, a line for each tune under a digest of all that decides it. Lines are added
one by one; a broken one is passed over, and its tune is read again. Whatever goes wrong, tunes are read as if nothing were kept.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Any

from underbow.errors import UnderbowError
from underbow.files.caches import cache_folder
from underbow.files.whole import write_whole

__all__ = ["Kept"]

MOST_BYTES = 16_000_000  # some 50,000 tunes


@dataclass(slots=True)
class Kept:
    """What was found out, by digests.

    Parameters
    ----------
    path : Path or None
        Made when the first is kept; None, for a user without a home, keeps nothing longer than this run.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     path = Path(place) / "tunes.jsonl"
    ...     Kept(path).keep("0a1b", {"meter": "6/8"})
    ...     Kept(path).get("0a1b"), Kept(path).get("none")
    ({'meter': '6/8'}, None)
    """

    path: Path | None
    _found: dict[str, dict[str, Any]] | None = None
    _lock: Lock = field(default_factory=Lock)

    @classmethod
    def usual(cls) -> Kept:
        """What this user keeps."""
        return cls(cache_folder("tunes.jsonl"))

    def get(self, key: str) -> dict[str, Any] | None:
        """Give what was found out about a tune; None where nothing is kept of it."""
        with self._lock:
            return self._read().get(key)

    def keep(self, key: str, found: Mapping[str, Any]) -> None:
        """Keep what was found out about a tune."""
        with self._lock:
            self._read()[key] = dict(found)
            if self.path is None:
                return
            with suppress(OSError):
                self.path.parent.mkdir(parents=True, exist_ok=True)
                with self.path.open("a", encoding="utf-8") as file:  # begun anew where a killed one broke off
                    file.write("\n" + json.dumps([key, found], ensure_ascii=False))

    def _read(self) -> dict[str, dict[str, Any]]:
        if self._found is None:
            self._found = {}
            with suppress(OSError, UnderbowError):
                data = b"" if self.path is None else self.path.read_bytes()
                if self.path is not None and len(data) > MOST_BYTES:  # the latest half stays
                    data = data[-MOST_BYTES // 2 :]
                    write_whole(self.path, data)
                for line in data.split(b"\n"):
                    with suppress(ValueError, RecursionError):
                        key, found = json.loads(line)
                        if isinstance(key, str) and isinstance(found, dict):
                            self._found[key] = found
        return self._found
