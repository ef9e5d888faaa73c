"""The zip of a lesson: the same bytes whenever it is made, and a seal by which we know it again."""

from __future__ import annotations

import io
import shutil
import zipfile
from collections.abc import Mapping
from pathlib import Path

from underbow.files.ours import seal
from underbow.files.whole import whole_file

__all__ = ["make_zip"]

_DAY = (1980, 1, 1, 0, 0, 0)  # the zip format's first day: the same bytes whenever it is made
_AS_THEY_ARE = (".mp3", ".ogg", ".flac", ".wav", ".zip")  # packed already, or hardly smaller for a third of the time


def make_zip(folder: Path, path: Path, name: str = "", also: Mapping[str, str] | None = None) -> None:
    """Pack a folder into a zip, names in order and without times, so that equal folders give equal bytes.

    Parameters
    ----------
    folder : Path
    path : Path
        The zip's.
    name : str
        The folder's name inside; the zip's own by default.
    also : mapping of str to str, optional
        Texts to put in beside the folder's files, by their names.
    """
    home, texts = name or path.stem, dict(also or {})
    inside_folder = {file.relative_to(folder).as_posix() for file in folder.rglob("*") if file.is_file()}
    with whole_file(path) as part, zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as packed:
        for inside in sorted(inside_folder | set(texts)):
            text = texts[inside].encode() if inside in texts else None
            info = zipfile.ZipInfo(f"{home}/{inside}", _DAY)
            info.compress_type = zipfile.ZIP_STORED if inside.endswith(_AS_THEY_ARE) else zipfile.ZIP_DEFLATED
            info.external_attr = 0o644 << 16
            info.create_system = 3
            # lets zipfile choose the form for large files
            info.file_size = (folder / inside).stat().st_size if text is None else len(text)
            opened = (folder / inside).open("rb") if text is None else io.BytesIO(text)
            with opened as source, packed.open(info, "w") as target:
                shutil.copyfileobj(source, target, 1 << 20)
        packed.comment = seal(packed.infolist())
