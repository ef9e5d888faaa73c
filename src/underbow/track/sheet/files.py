"""Files that a sheet names: they lie beside it or below, and nowhere else."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

from underbow.errors import InputError, near_miss
from underbow.files.trouble import plain_file


def beside(folder: Path | None, name: str, kind: str) -> Path:
    """Find a file that a sheet names.

    Parameters
    ----------
    folder : Path or None
        The sheet's; None where it is no file.
    name : str
        A relative path with ``/`` between folders.
    kind : str
        What it is, for the fault: ``"tune"`` or ``"pattern"``.

    Raises
    ------
    InputError
        Where it is not there, lies elsewhere, or is no plain file.
    """
    if folder is None:
        raise InputError(f"found {name!r}, but this sheet has no folder of its own to look in")
    absolute = PurePosixPath(name).is_absolute() or PureWindowsPath(name).drive or PureWindowsPath(name).root
    path = folder / name
    try:
        inside = path.resolve().is_relative_to(folder.resolve())
        there, a_folder = inside and path.is_file(), inside and path.is_dir()
        dangling = not there and path.is_symlink()
    except RuntimeError:  # what pathlib calls a link that leads to itself, up to Python 3.12
        inside, there, a_folder, dangling = True, False, False, True
    except (OSError, ValueError):  # a name that no file can have
        inside, there, a_folder, dangling = True, False, False, False
    if absolute or not inside:
        raise InputError(
            f'found "{name}", which is not beside the sheet; put the {kind} there and write its name alone'
        )
    if a_folder:
        raise InputError(f'"{name}" is a folder; name the {kind} in it, as in "{name}/NAME"')
    plain_file(path, name)
    if dangling:
        raise InputError(f'"{name}" is a link that leads nowhere; put the {kind} itself there')
    if not there:
        names = sorted(entry.name for entry in folder.iterdir() if entry.suffix != ".toml") if folder.is_dir() else []
        raise InputError(
            f'no file "{name}" beside the sheet{near_miss(name, names)}; write the name of a {kind} that is there'
        )
    return path


def files_named(table: Mapping[str, Any]) -> tuple[str, ...]:
    """Name every file that a sheet needs beside it, each once, as the sheet writes it.

    Parameters
    ----------
    table : mapping
        A sheet as ``tomllib`` gives it, without faults.

    Examples
    --------
    >>> files_named({"tune": "a.abc", "pattern": {"A": "saw", "B": "own/mine.toml"}})
    ('a.abc', 'own/mine.toml')
    """
    pattern, recording = table.get("pattern", ""), table.get("recording", {})
    patterns = pattern.values() if isinstance(pattern, Mapping) else [pattern]
    names = [table.get("tune"), *(name for name in patterns if str(name).lower().endswith(".toml"))]
    names.append(recording.get("file") if isinstance(recording, Mapping) else None)
    return tuple(dict.fromkeys(str(name) for name in names if name))
