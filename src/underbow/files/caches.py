"""Where what can be made again is kept."""

from __future__ import annotations

import os
import sys
from pathlib import Path

__all__ = ["cache_folder"]


def cache_folder(inner: str) -> Path | None:
    """Give a place in the folder of what can be made again: ``UNDERBOW_CACHE``, or the user's own; None without a home."""
    try:
        return _folder() / inner
    except RuntimeError:
        return None


def _folder() -> Path:
    named = os.environ.get("UNDERBOW_CACHE")
    if named:
        return Path(named)
    home = Path.home()
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local") / "underbow" / "cache"
    if sys.platform == "darwin":
        return home / "Library" / "Caches" / "underbow"
    return Path(os.environ.get("XDG_CACHE_HOME") or home / ".cache") / "underbow"
