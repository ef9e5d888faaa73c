"""Finished jobs, kept under their stamps, so that nothing is made twice: a stopped run goes on where it was.

A kept job shares its files with the lesson that it was made for, by hard links where the disk has them, and so takes no room of
its own. But no two folders of the user's ever share a file: whoever is given a file that another already has gets a copy. What
was changed in either place is found by its digest, and made anew.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from underbow.errors import UnderbowError
from underbow.files.caches import cache_folder
from underbow.files.whole import write_whole
from underbow.files.workplace import clear_leftovers, workplace
from underbow.jobs.run import REPORT, Finished

__all__ = ["Cache", "copy_tree"]

CAP = 4_000_000_000  # bytes
_OLDEST = 30 * 86_400  # seconds since it was last used
_ENTRY = re.compile(r"[0-9a-f]{64}")
_CLAIM = 7 * 86_400  # a run that stopped may go on for a week


@dataclass(frozen=True, slots=True)
class Cache:
    """Finished jobs under their stamps.

    Parameters
    ----------
    folder : Path or None
        Made when the first job is kept; None keeps nothing.
    cap : int
        Bytes that are kept when no run needs them.

    Whatever goes wrong with the cache, jobs go on without it.
    """

    folder: Path | None
    cap: int = CAP

    @classmethod
    def usual(cls) -> Cache:
        """The cache of this user."""
        return cls(cache_folder("jobs"))

    def take(self, stamp: str, target: Path) -> Finished | None:
        """Put a job's files and report into a new folder; None where it isn't kept, or isn't what it was.

        Raises
        ------
        UnderbowError
            If the folder can't be written to.
        """
        if self.folder is None:
            return None
        kept = Finished(self.folder / stamp)
        if not (kept.folder / REPORT).is_file():
            return None
        if not kept.is_whole(stamp):
            shutil.rmtree(kept.folder, ignore_errors=True)
            return None
        try:
            copy_tree(kept.folder, target)
        except OSError:  # cleared away meanwhile, or no room: made anew, which tells better what is wrong
            shutil.rmtree(target, ignore_errors=True)
            return None
        with suppress(OSError):
            os.utime(kept.folder)
        return Finished(target)

    def keep(self, finished: Finished, stamp: str) -> None:
        """Keep a finished job."""
        if self.folder is None:
            return
        with suppress(OSError, UnderbowError):
            if (self.folder / stamp / REPORT).is_file():
                return
            self.folder.mkdir(parents=True, exist_ok=True)
            size = sum(path.stat().st_size for path in finished.files.rglob("*") if path.is_file())
            if size > self.cap // 4 and self.folder.stat().st_dev != finished.folder.stat().st_dev:
                return  # a copy would push out everything else
            with workplace(self.folder) as place:
                copy_tree(finished.folder, place.folder / stamp)
                (place.folder / stamp).rename(self.folder / stamp)

    @contextmanager
    def claim(self, stamps: Iterable[str]) -> Iterator[None]:
        """Keep these jobs, however much room they take, until the run that needs them has succeeded; then tidy up."""
        if self.folder is None:
            yield
            return
        claim, wanted = self.folder / f"{secrets.token_hex(6)}.claim", list(stamps)
        with suppress(OSError, UnderbowError):
            self.folder.mkdir(parents=True, exist_ok=True)
            write_whole(claim, json.dumps(wanted))
        yield
        for other, theirs in list(self._claims()):
            if other == claim or theirs <= set(wanted):  # what a run that stopped wanted is there now
                with suppress(OSError):
                    other.unlink(missing_ok=True)
        self.sweep()

    def sweep(self) -> None:
        """Clear away what is old, then the oldest until the rest is within the cap; never what a run may still need."""
        if self.folder is None:
            return
        with suppress(OSError):
            clear_leftovers(self.folder)
            claimed = {stamp for _, stamps in self._claims() for stamp in stamps}
            total = 0
            entries = [entry for entry in self.folder.iterdir() if _ENTRY.fullmatch(entry.name)]
            for entry in sorted(entries, key=_last_use, reverse=True):
                total += sum(path.stat().st_size for path in entry.rglob("*") if path.is_file())
                useless = time.time() - _last_use(entry) > _OLDEST or not (entry / REPORT).is_file()
                if useless or (total > self.cap and entry.name not in claimed):
                    shutil.rmtree(entry, ignore_errors=True)

    def _claims(self) -> Iterator[tuple[Path, set[str]]]:
        """Read what runs need that haven't succeeded yet; what nobody came back for in a week is given up."""
        assert self.folder is not None  # noqa: S101  asked by the callers
        for claim in self.folder.glob("*.claim"):
            with suppress(OSError, ValueError, TypeError):
                if time.time() - _last_use(claim) > _CLAIM:
                    claim.unlink()
                else:
                    yield claim, set(json.loads(claim.read_bytes()))


def _last_use(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0


def copy_tree(source: Path, target: Path) -> None:
    """Put a folder's files into a new one, as links where nobody else has them.

    Raises
    ------
    OSError
        If a file is gone, or there is no room.
    """
    for path in sorted(source.rglob("*")):
        into = target / path.relative_to(source)
        if path.is_dir():
            into.mkdir(parents=True, exist_ok=True)
        else:
            into.parent.mkdir(parents=True, exist_ok=True)
            _give(path, into)


def _give(source: Path, target: Path) -> None:
    if source.stat().st_nlink == 1:
        with suppress(OSError):
            os.link(source, target)
            if source.stat().st_nlink == 2:
                return
            target.unlink()  # another run was as quick
    shutil.copy2(source, target)
    with target.open("rb+") as file:
        os.fsync(file.fileno())
