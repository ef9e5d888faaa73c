"""The tables of our TOML files: track sheets and patterns read alike, and the usual slips of a hand told with their cure."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from underbow.errors import Fault, InputError
from underbow.files import plain_file

MOST_BYTES = 2_000_000  # of a file
# What a line looks like that was written as one writes letters, and the cure.
_SLIPS = (
    ("[“”„«»]", 'write straight quotes, "...", instead of curly ones'),
    (r"=\s*-?\d+,\d", "write a point in a number, such as -16.0, not a comma"),
    (r"=\s*\d+/\d", 'write a note value in double quotes, such as "1/4"'),
    (r"\"[^\"]*\\", "a \\ in double quotes begins a special character; write / in a file's name"),
    ('^[^"#]*"[^"#]*(#|$)', "a double quote is missing; text stands between two"),
    (r"^[ \w]+:[^=]*$", "write = between a key and its value, not a colon"),
)
_PATTERNS_ONLY = {"bow", "accent", "cells", "retake", "about"}
_SHEETS_ONLY = {"tune", "abc", "compose", "pattern", "progression", "mix", "sound", "form", "bars", "shapes"}


def read_text(path: Path, file: str = "", *, missing: str = "check its name and its folder") -> str:
    """Read a TOML file's text, with plain line ends.

    Parameters
    ----------
    path : Path
    file : str
        The name told in faults; by default the path.
    missing : str
        The cure told where there is no such file.

    Raises
    ------
    InputError
        Where there is none, or it is no text in UTF-8.
    """
    file = file or str(path)
    try:
        with plain_file(path, file).open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise InputError(Fault(f"no such file; {missing}", file=file)) from None
    except IsADirectoryError:
        raise InputError(Fault("a folder; name the file in it, which ends in .toml", file=file)) from None
    except OSError as error:
        raise InputError(Fault(f"can't be read: {error.strerror or error}", file=file)) from None
    if len(data) > MOST_BYTES:
        raise InputError(Fault(f"more than {MOST_BYTES} bytes; a sheet or a pattern is a page of text", file=file))
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        cure = "open it in a text editor and save it again with the encoding UTF-8"
        raise InputError(Fault(f"not text in UTF-8; {cure}", file=file)) from None


def read_table(text: str, file: str) -> dict[str, Any]:
    """Read TOML.

    Raises
    ------
    InputError
        With the line, the column and the likely cure.

    >>> read_table('cells = 8', "p.toml")
    {'cells': 8}
    """
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError(Fault("not TOML: brackets nested too deeply", file=file)) from None
    except ValueError as error:  # TOMLDecodeError, or a number of thousands of digits
        message = str(error)
    place = re.search(r"\(at line (\d+), column (\d+)\)$", message)
    what = re.sub(r"\s*\(at .*\)$", "", message)
    line, column = (int(place[1]), int(place[2])) if place else (None, None)
    if line == 1 and text.startswith(("X:", "%")):
        cure = 'name it in a sheet, tune = "..."; `underbow new DIR` makes one to start from'
        raise InputError(Fault(f"a tune in ABC, not a TOML file; {cure}", file=file))
    cure = _slip(text.split("\n")[line - 1] if line else "") or (
        "write key = value, with text in double quotes, and tables such as [tempo] on a line of their own"
    )
    raise InputError(Fault(f"not TOML: {what}; {cure}", file=file, line=line, column=column))


def is_pattern(table: Mapping[str, Any]) -> bool:
    """Whether a table is a pattern rather than a track sheet, by the keys that only one of them has.

    >>> is_pattern({"title": "x", "bow": "d u"}), is_pattern({"title": "x", "tune": "x.abc"})
    (True, False)
    """
    return len(_PATTERNS_ONLY & table.keys()) > len(_SHEETS_ONLY & table.keys())


def is_sheet(table: Mapping[str, Any]) -> bool:
    """Whether a table is a track sheet rather than a pattern.

    >>> is_sheet({"title": "x", "tune": "x.abc"}), is_sheet({"title": "x"})
    (True, False)
    """
    return len(_SHEETS_ONLY & table.keys()) > len(_PATTERNS_ONLY & table.keys())


def _slip(line: str) -> str:
    """Name the usual slips of a hand that writes letters rather than TOML; empty where it is another one."""
    return next((cure for sign, cure in _SLIPS if re.search(sign, line)), "")
