"""TOML text to tables: within limits that are looked at first, and with every line that can't be read in one go."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from underbow.errors import Fault, InputError
from underbow.files.trouble import plain_file

MOST_DEPTH = 20  # brackets inside each other
MOST_DOTS = 10  # in a key: tomllib takes memory by the square of them
MOST_LINES_LISTED = 10  # that can't be read

_QUOTE_MISSING = "a double quote is missing; text stands between two"
# What a line looks like that was written as one writes letters, and the cure.
_SLIPS = (
    ("[“”„«»]", 'write straight quotes, "...", instead of curly ones'),
    (r"=\s*-?\d+,\d", "write a point in a number, such as -16.0, not a comma"),
    (r"=\s*\d+/\d", 'write a note value in double quotes, such as "1/4"'),
    (r"\"[^\"]*\\", "a \\ in double quotes begins a special character; write / in a file's name"),
    ('^[^"#]*"[^"#]*(#|$)', _QUOTE_MISSING),
    (r"^[ \w]+:[^=]*$", "write = between a key and its value, not a colon"),
    (r"^\s*(\[[^\[\]]*|\[\[[^\]]*\]?)$", "a bracket is missing; a table begins with a line such as [tempo] or [[mix]]"),
    (r"^\s*(tempo|sound|changes)\s*$", "write it in brackets, such as [tempo]"),
    (r"^\s*mix\s*$", "write it in double brackets: [[mix]]"),
    (r"=\s*$", "a value is missing after ="),
    (r"^\s*([\w-]+)\s*=\s*([^\W\d][^\"'=#]*?)\s*$", r'write text in double quotes: \g<1> = "\g<2>"'),
    (r"^[^=]*[^\s=\w.\"'-][^=]*=", 'a key with such signs needs double quotes, such as "F#m" = "0-3"'),
)
_GENERAL = "write key = value, with text in double quotes, and tables such as [tempo] on a line of their own"
_TAKEN = ("Cannot overwrite", "Cannot declare", "Cannot mutate", "Duplicate inline")
# Strings and remarks whole, so that what stands in them is not counted.
_SIGNS = re.compile(
    r'"""(?:\\.|[^\\])*?(?:"""|\Z)'
    r"|'''.*?(?:'''|\Z)"
    r'|"(?:\\.|[^"\\\n])*(?:"|$)'
    r"|'[^'\n]*(?:'|$)"
    r"|\#[^\n]*"
    r"|[\[\]{}.=,\n]",
    re.DOTALL | re.MULTILINE,
)
_PATTERNS_ONLY = {"bow", "accent", "cells", "retake", "about"}
_SHEETS_ONLY = {"tune", "abc", "compose", "pattern", "progression", "mix", "sound", "form", "bars", "shapes"}


_ALL_KEYS = _SHEETS_ONLY | _PATTERNS_ONLY | {"title", "key", "meter", "strings", "tempo", "tuning"}


def read_table(text: str, file: str) -> dict[str, Any]:
    """Read TOML.

    Raises
    ------
    InputError
        With every line that can't be read, as far as that can be told, and the likely cure of each.

    >>> read_table('cells = 8', "p.toml")
    {'cells': 8}
    """
    if text.startswith(("X:", "%")):
        cure = 'name it in a sheet, tune = "..."; `underbow new DIR` makes one to start from'
        raise InputError(Fault(f"a tune in ABC, not a TOML file; {cure}", file=file))
    _check_limits(text, file)
    lines = text.split("\n")
    faults: list[Fault] = []
    while True:
        try:
            table = tomllib.loads("\n".join(lines) + "\n")
        except ValueError as error:  # TOMLDecodeError, or a number of thousands of digits
            fault = _fault(str(error), lines, text, file)
        else:
            break
        faults.append(fault)
        if fault.line is None or len(faults) == MOST_LINES_LISTED or not _stands_alone(lines, fault.line - 1):
            break
        # A line without its fault keeps what comes after it apart from what came before.
        heads = lines[fault.line - 1].lstrip().startswith("[")
        lines[fault.line - 1] = f'["line {fault.line}"]' if heads else ""
    if faults:
        raise InputError(*faults)
    return table


def _check_limits(text: str, file: str) -> None:
    """Look at depth and dotted keys before the reader does, for both would cost it far more than their bytes."""
    depth = dots = 0
    line = 1
    for match in _SIGNS.finditer(text):
        sign = match[0]
        if sign == ".":
            dots += 1
        elif len(sign) == 1 and sign not in "\"'#":
            dots = 0
            depth = max(depth + (sign in "[{") - (sign in "]}"), 0)
        if dots > MOST_DOTS:
            raise InputError(Fault(f"a key of more than {MOST_DOTS} dots; write a plain key", file=file, line=line))
        if depth > MOST_DEPTH:
            what = f"more than {MOST_DEPTH} brackets inside each other; write it with fewer"
            raise InputError(Fault(what, file=file, line=line))
        line += sign.count("\n")


def _fault(message: str, lines: list[str], text: str, file: str) -> Fault:
    place = re.search(r"\(at line (\d+), column (\d+)\)$", message)
    if place is None:
        return _fault_without_place(message, lines, text, file)
    line, column = int(place[1]), int(place[2])
    written = lines[line - 1]
    if message.startswith(_TAKEN):
        return Fault(_twice(lines, line - 1), file=file, line=line)
    cure = _slip(written) or _GENERAL
    if cure == _QUOTE_MISSING and _goes_on(lines, line - 1):
        cure = 'text over several lines stands between """ and """'
    return Fault(f"this line can't be read: {_shortened(written)} ({cure})", file=file, line=line, column=column)


def _fault_without_place(message: str, lines: list[str], text: str, file: str) -> Fault:
    """Find the line of a fault that the reader knows only at the end of the file, or not at all."""
    if "digits" in message:
        line = next((n for n, line in enumerate(lines, start=1) if re.search(r"[\d_]{1000}", line)), None)
        return Fault("a number of thousands of digits; write a shorter one", file=file, line=line)
    for quotes in ('"""', "'''"):
        opened = None
        for match in _SIGNS.finditer(text):
            if match[0].startswith(quotes) and (len(match[0]) < 6 or not match[0].endswith(quotes)):
                opened = match.start()
        if opened is not None:
            line = text.count("\n", 0, opened) + 1
            return Fault(f"text that begins here has no end; close it with {quotes}", file=file, line=line)
    last = max((n for n, line in enumerate(lines, start=1) if line.strip()), default=1)
    cure = _slip(lines[last - 1]) or "a bracket or a quote is missing before the end"
    return Fault(f"the file ends too early: {_shortened(lines[last - 1])} ({cure})", file=file, line=last)


def _twice(lines: list[str], index: int) -> str:
    """Say what stands in a file twice, and where it stood first."""
    seen: dict[tuple[str, str], int] = {}
    table = ""
    for number, line in enumerate(lines[: index + 1], start=1):
        words = line.partition("#")[0].strip()
        if words.startswith("["):
            place = ("", words.strip("[] "))
            table = f"{words} {number}" if words.startswith("[[") else words
        else:
            place = (table, words.partition("=")[0].strip())
        first = seen.setdefault(place, number)
    where = f", first in line {first}" if first <= index else ""
    return f"{_shortened(words.partition('=')[0])} is written twice{where}; keep one of them"


def _goes_on(lines: list[str], number: int) -> bool:
    """Whether the line below is neither a key nor a table nor empty: text that was begun goes on there."""
    below = lines[number + 1].strip() if number + 1 < len(lines) else ""
    return bool(below) and not re.match(r"[\w\"' .-]+=|\[|#", below)


def _stands_alone(lines: list[str], number: int) -> bool:
    """Whether what is wrong in a line stays there: it begins a statement, and nothing that it opens goes on below it."""
    line = re.sub(r"\"(?:\\.|[^\"\\])*\"|'[^']*'|#.*", "", lines[number])
    if (
        '"""' in lines[number]
        or "'''" in lines[number]
        or line.count("[") > line.count("]")
        or line.count("{") > line.count("}")
    ):
        return line.lstrip().startswith("[") and "=" not in line
    if '"' in line and _goes_on(lines, number):
        return False
    try:
        tomllib.loads("\n".join(lines[:number]))
    except ValueError:
        return False
    return True


def _shortened(line: str) -> str:
    words = " ".join(line.split())
    return words if len(words) <= 60 else words[:57] + "..."


def _slip(line: str) -> str:
    """Name the usual slips of a hand that writes letters rather than TOML; empty where it is another one."""
    for sign, cure in _SLIPS:
        match = re.search(sign, line[:200])
        if match:
            return _shortened(match.expand(cure)) if "\\g" in cure else cure
    return ""


def looks_like_toml(path: Path) -> bool:
    """Whether a file under another name begins as a sheet or a pattern does: with a table, or with a key of theirs."""
    with suppress(OSError, InputError, ValueError), plain_file(path).open("rb") as stream:
        for line in stream.read(4096).decode("utf-8-sig", errors="replace").splitlines():
            if line.strip() and not line.lstrip().startswith("#"):
                begin = re.match(r"\s*(?:\[\[?(\w+)\]\]?\s*$|(\w+)\s*=)", line.partition("#")[0])
                return begin is not None and (begin[1] or begin[2]) in _ALL_KEYS
    return False


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
