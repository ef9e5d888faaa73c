"""Folders that look like lessons, without the work of making one."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path


def write_lesson(folder: Path, files: Mapping[str, str]) -> Path:
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    listed = [{"path": name, "sha256": hashlib.sha256(text.encode()).hexdigest()} for name, text in files.items()]
    (folder / "manifest.json").write_text(json.dumps({"made_with": "underbow 0", "files": listed}))
    return folder


def contents(folder: Path) -> dict[str, str]:
    """What lies in a folder, manifests aside."""
    return {
        path.relative_to(folder).as_posix(): path.read_text()
        for path in folder.rglob("*")
        if path.is_file() and path.name != "manifest.json"
    }
