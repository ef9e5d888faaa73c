"""What opens the desk by a double click: a small file beside the sheets, for the system that runs."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

from underbow.errors import InputError
from underbow.files.whole import write_whole
from underbow.files.workplace import clear_leftovers

__all__ = ["launcher_for", "make_launcher"]

NAME = "Underbow desk"


def make_launcher(folder: Path) -> Path:
    """Put the launcher for this system into a folder; give its path.

    Raises
    ------
    InputError, UnderbowError
        Where there is no such folder, or it can't be written.
    """
    if not folder.is_dir():
        raise InputError(f"no folder {folder}; name one that is there, or make it first")
    place = folder.resolve()
    ending, text = launcher_for(sys.platform, sys.executable, place)
    path = place / (NAME + ending)
    clear_leftovers(place)
    write_whole(path, text.replace("\n", "\r\n").encode() if ending == ".cmd" else text)
    path.chmod(0o755)
    return path


def launcher_for(system: str, python: str, folder: Path) -> tuple[str, str]:
    """Give the ending and the text of a launcher.

    Parameters
    ----------
    system : str
        As ``sys.platform`` has it.
    python : str
        The interpreter that Underbow is installed for.
    folder : Path

    >>> launcher_for("linux", "/home/ann/.venv/bin/python", Path("/home/ann/my reels"))[0]
    '.desktop'
    >>> print(launcher_for("darwin", "/opt/py/bin/python3", Path("/Users/ann/my reels"))[1], end="")
    #!/bin/sh
    exec /opt/py/bin/python3 -m underbow desk '/Users/ann/my reels'
    """
    if system.startswith("win"):
        # in a batch file a per cent sign begins a name, unless it is doubled; UTF-8 for letters of any language
        quoted = [part.replace("%", "%%") for part in (python, str(folder))]
        return ".cmd", f'@echo off\nchcp 65001 >nul\ntitle {NAME}\n"{quoted[0]}" -m underbow desk "{quoted[1]}"\n'
    if system == "darwin":
        return ".command", f"#!/bin/sh\nexec {shlex.quote(python)} -m underbow desk {shlex.quote(str(folder))}\n"
    arguments = " ".join(_quoted(part) for part in (python, "-m", "underbow", "desk", str(folder)))
    return ".desktop", f"[Desktop Entry]\nType=Application\nName={NAME}\nTerminal=true\nExec={arguments}\n"


def _quoted(part: str) -> str:
    r"""Quote an argument as the Desktop Entry Specification 1.5 has it (section "The Exec key").

    >>> print(_quoted('a "b" 100%'))
    "a \\"b\\" 100%%"
    """
    inner = part.replace("\\", "\\\\").replace('"', '\\"').replace("`", "\\`").replace("$", "\\$").replace("%", "%%")
    return '"' + inner.replace("\\", "\\\\") + '"'
