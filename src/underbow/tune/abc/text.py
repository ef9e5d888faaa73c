r"""The text of an ABC file: lines, comments, continuations, and where one tune ends and the next begins.

The file structure is that of the ABC standard 2.1, section 2: a tune begins at its ``X:`` line and ends at an empty line;
what stands between tunes is free text. Every piece keeps its place in the original text, also where a ``\`` joins lines
(section 6.1.1), so that a fault can be told with line and column and a symbol can be written back where it belongs.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

_TUNE = re.compile(r"(?:^\ufeff?|(?<=\r))[^\S\r\n]*X:(?![|:])", re.MULTILINE)
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n|\Z)")
_FIELD = re.compile(r"[ \t]*([A-Za-z+]):")
_BODY_FIELDS = frozenset("IKLMmNPQRrUVsTWwHOSX+")
_INFORMATION = frozenset("ABCDFGZ")  # header only by the standard, yet met further down


@dataclass(frozen=True, slots=True)
class Line:
    """A line without its comment and line end: its text, its first character's place in the file."""

    text: str
    start: int


@dataclass(frozen=True, slots=True)
class TuneText:
    """The lines of one tune, from its ``X:`` line to the empty line that ends it."""

    header: tuple[Line, ...]
    lines: tuple[Line, ...]


@dataclass(slots=True)
class Music:
    """Music code joined over continuation signs, with the place of every piece."""

    text: str = ""
    places: list[tuple[int, int]] = field(default_factory=list)  # (index here, index in the file)

    def add(self, text: str, start: int) -> None:
        """Join a line on; two bar lines of one stroke each stay two."""
        if self.text.endswith("|") and text.startswith("|") and self.text[-2:-1] not in ("|", ":"):
            self.text += " "
        self.places.append((len(self.text), start))
        self.text += text

    def place(self, index: int) -> int:
        """Give the place in the file of a character of :attr:`text`."""
        here, start = self.places[max(bisect_right(self.places, (index, 1 << 62)) - 1, 0)]
        return start + index - here


def field_of(line: str) -> tuple[str, str, int] | None:
    """Split a line into a field's letter, its value and where the value begins; None for anything else.

    >>> field_of("K:G"), field_of("GAB c|")
    (('K', 'G', 2), None)
    """
    match = _FIELD.match(line)
    return (match[1], line[match.end() :], match.end()) if match else None


def body_field(line: str) -> tuple[str, str, int] | None:
    """Likewise in a tune's body, where ``A:|`` is music (ABC 2.1 section 3: A to G and X to Z are no fields there).

    >>> body_field("M:6/8"), body_field("A:|B4:|")
    (('M', '6/8', 2), None)
    """
    found = field_of(line)
    if found is None:
        return None
    letter, value, _ = found
    if letter in _BODY_FIELDS and not value.startswith(("|", ":")):
        return found
    if letter in _INFORMATION and not value.startswith(("|", ":", "]")) and "|" not in value:
        return found
    return None


def lines_of(text: str, start: int = 0, end: int | None = None) -> Iterator[Line]:
    """Give every line, its comment taken off; a line that is only a comment comes as a directive (``%%``) or not at all."""
    for match in _LINE.finditer(text, start, len(text) if end is None else end):
        raw = match[0].rstrip("\r\n")
        if match.start() == 0 and raw.startswith("\ufeff"):
            raw = " " + raw[1:]
        if raw.lstrip().startswith("%"):
            if raw.lstrip().startswith("%%"):
                yield Line(raw.strip(), match.start())
            continue
        yield Line(_without_comment(raw) if "%" in raw else raw.rstrip(), match.start())


def _without_comment(line: str) -> str:
    quoted = False
    music = field_of(line) is None
    for i, char in enumerate(line):
        if char == '"' and music:
            quoted = not quoted
        elif char == "%" and not (i and line[i - 1] == "\\") and not (quoted and '"' in line[i:]):
            return line[:i].rstrip()
    return line.rstrip()


def tunes_of(text: str, *, headers_only: bool = False) -> Iterator[TuneText]:
    r"""Divide a file into its tunes.

    A file without any ``X:`` is one tune: what a learner types from memory often begins with its title or its notes. A header
    that is followed by an empty line before any music goes on after it.

    Parameters
    ----------
    text : str
    headers_only : bool
        Whether each tune ends at its ``K:`` line, where it has one and a title before it.

    >>> [len(tune.lines) for tune in tunes_of("X:1\nK:G\nGAB|\n\nwords\n\nX:2\nK:D\n")]
    [3, 2]
    """
    starts = [match.start() for match in _TUNE.finditer(text)]
    if not starts:
        body = [line for line in lines_of(text) if line.text]
        if body:
            yield TuneText((), tuple(body))
        return
    header = tuple(line for line in lines_of(text, 0, starts[0]) if line.text.startswith("%%") or field_of(line.text))
    for start, end in pairwise([*starts, len(text)]):
        yield TuneText(header, tuple(_tune_lines(lines_of(text, start, end), headers_only=headers_only)))


def _tune_lines(lines: Iterator[Line], *, headers_only: bool) -> Iterator[Line]:
    """Take the lines of a tune up to the empty line that ends it."""
    has_music = has_title = False
    for line in lines:
        found = field_of(line.text)
        if line.text:
            yield line
            has_music = has_music or not (found or line.text.startswith("%%"))
        elif has_music:
            return
        has_title = has_title or bool(found and found[0] == "T")
        if headers_only and has_title and found and found[0] == "K":
            return
