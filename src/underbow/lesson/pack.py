"""A folder that is there whole or not at all, its manifest, and its zip.

A lesson is made in a hidden folder beside the one it will be and takes its name when everything in it is finished, so that
a killed program leaves the old lesson or the new one, never a mixture. What hasn't changed since the last time is taken
over from there, after a look whether it is still what the manifest says.
"""

from __future__ import annotations

import json
import os
import secrets
import shutil
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from underbow.errors import InputError
from underbow.files import digest, output_error, whole_file

MANIFEST = "manifest.json"
_DAY = (1980, 1, 1, 0, 0, 0)  # the zip format's first day: the same bytes whenever it is made


@dataclass(frozen=True, slots=True)
class Kept:
    """What is known of an earlier lesson: for each stamp of its parts, the files and what the manifest says of them."""

    folder: Path
    parts: Mapping[str, dict[str, Any]]

    @classmethod
    def read(cls, folder: Path) -> Kept:
        """Look at a folder; where there is no manifest that can be read, nothing is known."""
        try:
            manifest = json.loads((folder / MANIFEST).read_text("utf-8"))
            parts = {str(part["stamp"]): dict(part) for part in manifest["parts"]}
            names = [name for part in parts.values() for file in part["files"] for name in (file["path"], file["kind"])]
            if not all(isinstance(name, str) for name in names):
                parts = {}
        except (OSError, ValueError, KeyError, TypeError):
            parts = {}
        return cls(folder, parts)

    def take_over(self, stamp: str, into: Path) -> dict[str, Any] | None:
        """Copy a part's files into a new folder, if every one is still what it was; else copy none and give None."""
        part = self.parts.get(stamp)
        if part is None or not all(map(self._unchanged, part["files"])):
            return None
        for entry in part["files"]:
            target = into / entry["path"]
            target.parent.mkdir(parents=True, exist_ok=True)
            _link(self.folder / entry["path"], target)
        return part

    def _unchanged(self, entry: Mapping[str, Any]) -> bool:
        source = self.folder / entry["path"]
        return _inside(entry["path"]) and source.is_file() and digest(source) == entry.get("sha256")


@contextmanager
def whole_folder(folder: Path, *, again: bool) -> Iterator[Path]:
    """Give a new empty folder; it takes the name of ``folder`` at the end. Where the block raises, nothing has changed.

    Parameters
    ----------
    folder : Path
    again : bool
        Whether a folder that is there already may be replaced. Only one that has a manifest of ours ever is.

    Raises
    ------
    InputError
        If it is there and may not be replaced, or can't be made there.
    """
    if folder.exists() or folder.is_symlink():
        if not again:
            raise InputError(f"{folder} is there already; add --again to make it anew, or name another folder with -o")
        if not (folder / MANIFEST).is_file() and any(folder.iterdir() if folder.is_dir() else [folder]):
            raise InputError(
                f"{folder} holds something else than a lesson and is left alone; name another folder with -o"
            )
    new = folder.parent / f".underbow-{secrets.token_hex(6)}.part"
    old = folder.parent / f".underbow-{secrets.token_hex(6)}.old"
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        new.mkdir()
    except OSError as error:
        raise output_error(error, folder) from error
    try:
        yield new
        if folder.exists():
            folder.rename(old)
        new.rename(folder)
    except BaseException:
        if old.exists() and not folder.exists():
            old.rename(folder)
        raise
    finally:
        for left in (new, old):
            shutil.rmtree(left, ignore_errors=True)


def sweep(parent: Path) -> None:
    """Clear away what killed runs left: hidden folders of ours that nobody has touched for a day."""
    import time  # noqa: PLC0415

    for left in parent.glob(".underbow-*"):
        with suppress(OSError):
            if left.is_dir() and time.time() - left.stat().st_mtime > 86_400:
                shutil.rmtree(left, ignore_errors=True)


def make_zip(folder: Path, path: Path) -> str:
    """Pack a folder into a zip, names in order and without times, so that equal folders give equal bytes.

    Returns
    -------
    str
        SHA-256 of the zip.
    """
    with whole_file(path) as part, zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as packed:
        for name in sorted(file.relative_to(folder).as_posix() for file in folder.rglob("*") if file.is_file()):
            info = zipfile.ZipInfo(str(PurePosixPath(path.stem) / name), _DAY)
            stored = name.endswith((".mp3", ".ogg", ".flac", ".zip"))
            info.compress_type = zipfile.ZIP_STORED if stored else zipfile.ZIP_DEFLATED
            info.external_attr = 0o644 << 16
            info.create_system = 3
            info.file_size = (folder / name).stat().st_size  # lets zipfile choose the form for large files
            with (folder / name).open("rb") as source, packed.open(info, "w") as target:
                shutil.copyfileobj(source, target, 1 << 20)
    return digest(path)


def _inside(name: str) -> bool:
    """Whether a manifest's path stays in its folder: a manifest could have been changed by hand."""
    pure = PurePosixPath(name)
    return not pure.is_absolute() and ".." not in pure.parts and "\\" not in name and ":" not in name


def _link(source: Path, target: Path) -> None:
    try:
        os.link(source, target)
    except OSError:  # another disk, or a file system without links
        shutil.copy2(source, target)
