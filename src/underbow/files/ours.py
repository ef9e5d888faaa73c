"""What of a folder or a zip is ours: the mark that lessons bear, and what of it somebody has changed."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path, PurePosixPath
from typing import Any, Literal

from underbow.errors import InputError
from underbow.files.whole import digest

__all__ = [
    "MADE_WITH",
    "MANIFEST",
    "inspect_folder",
    "inspect_zip",
    "is_inside",
    "read_manifest",
    "seal",
    "theirs",
    "zip_state",
]

MANIFEST = "manifest.json"
MADE_WITH = "underbow "
_SEAL = b"underbow lesson "
_MOST_BYTES = 1 << 30


def read_manifest(folder: Path) -> dict[str, Any] | None:
    """Read the manifest of a folder; None where it has none of ours."""
    path = folder / MANIFEST
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size > _MOST_BYTES:
            return None
        manifest = json.loads(path.read_bytes())
        files = [(file["path"], file["sha256"]) for file in manifest["files"]]
        ours = str(manifest["made_with"]).startswith(MADE_WITH)
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    if not ours or not all(isinstance(text, str) for pair in files for text in pair):
        return None
    return manifest if isinstance(manifest, dict) else None


def inspect_folder(folder: Path) -> bool:
    """Whether a lesson of ours, or an empty folder, is there; False where nothing is.

    Raises
    ------
    InputError
        If it is somebody's own.
    """
    if not folder.exists() and not folder.is_symlink():
        return False
    try:
        ours = folder.is_dir() and (not any(folder.iterdir()) or read_manifest(folder) is not None)
    except OSError as error:
        raise InputError(
            f"{folder} can't be looked into ({error.strerror or error}); name another folder with -o"
        ) from error
    if not ours:
        raise InputError(f"{folder} isn't a lesson folder; left untouched; name another folder with -o")
    return True


def inspect_zip(path: Path) -> bool:
    """Whether a lesson's zip of ours is there; False where nothing is.

    Raises
    ------
    InputError
        If it is somebody's own.
    """
    if not path.exists() and not path.is_symlink():
        return False
    if path.is_dir():
        raise InputError(f"can't write {path}: a folder has this name; remove it or choose another name")
    if zip_state(path) == "theirs":
        raise InputError(
            f"{path} isn't the zip of a lesson; left untouched; move it away, or name another folder with -o"
        )
    return True


def zip_state(path: Path) -> Literal["ours", "changed", "theirs"]:
    """Tell whose a zip is: as we made it, ours but changed since, or somebody's own."""
    try:
        if path.is_symlink() or not path.is_file():
            return "theirs"
        with zipfile.ZipFile(path) as packed:
            entries = packed.infolist()
            if packed.comment.startswith(_SEAL):
                return "ours" if packed.comment == seal(entries) else "changed"
            for entry in entries:
                if PurePosixPath(entry.filename).name == MANIFEST and entry.file_size <= _MOST_BYTES:
                    manifest = json.loads(packed.read(entry))
                    if str(manifest["made_with"]).startswith(MADE_WITH):
                        return "changed"
    except (OSError, ValueError, KeyError, TypeError, RuntimeError, zipfile.BadZipFile):
        return "theirs"
    return "theirs"


def seal(entries: list[zipfile.ZipInfo]) -> bytes:
    """Give the comment that tells a zip of ours, and that nobody has changed what is in it."""
    listed = sorted((entry.filename, entry.CRC, entry.file_size) for entry in entries)
    return _SEAL + hashlib.sha256(repr(listed).encode()).hexdigest().encode()


def theirs(folder: Path) -> Iterator[tuple[PurePosixPath, bool]]:
    """Find what in a lesson's folder isn't as we made it, folders aside.

    Yields
    ------
    (PurePosixPath, bool)
        The path below the folder, and whether it is a file of ours that was changed; what was added is not.
    """
    manifest = read_manifest(folder)
    ours: Mapping[str, str] = {} if manifest is None else {file["path"]: file["sha256"] for file in manifest["files"]}
    for path in sorted(folder.rglob("*")):
        if path.is_dir() and not path.is_symlink():
            continue
        name = PurePosixPath(path.relative_to(folder).as_posix())
        if manifest is not None and str(name) == MANIFEST:
            continue
        known = ours.get(str(name))
        if known is None or not is_inside(str(name)) or path.is_symlink() or not path.is_file():
            yield name, known is not None
        elif digest(path) != known:
            yield name, True


def is_inside(name: str) -> bool:
    """Whether a path of a manifest or a report stays in its folder: it could have been changed by hand.

    >>> is_inside("tracks/a.mp3"), is_inside("../a"), is_inside("C:/a")
    (True, False, False)
    """
    pure = PurePosixPath(name)
    return not pure.is_absolute() and ".." not in pure.parts and "\\" not in name and ":" not in name
