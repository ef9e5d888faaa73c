"""A tune among others in one file: its own lines, and what stands before and after them."""

from __future__ import annotations

import re
from dataclasses import dataclass

from underbow.desk.paper.reading import Reading
from underbow.tune.abc.encoding import decoded

__all__ = ["Page", "page_of"]

_TUNE = re.compile(r"^X:[ \t]*(\d*)", re.MULTILINE)
_END = re.compile(r"\n[ \t]*\n|(?=^X:)", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Page:
    r"""The lines of one tune in a file of tunes.

    >>> page = Page.of("M:4/4\n\nX:1\nK:C\nCDEF|\n\nX:2\nK:G\nGABc|\n", 2)
    >>> page.text, page.lines
    ('X:2\nK:G\nGABc|\n', 6)
    >>> page.with_text("K:G\nGGGG|").splitlines()[5:]
    ['', 'X:2', 'K:G', 'GGGG|']
    """

    before: str
    text: str
    after: str
    number: int | None = None

    @classmethod
    def of(cls, text: str, number: object) -> Page:
        """Find a tune by its number; where there is but one, or none of that number, it is the whole text."""
        found = list(_TUNE.finditer(text))
        own = [one for one in found if one[1] and int(one[1]) == number]
        if len(found) < 2 or not own:
            return cls("", text, "")
        start = own[0].start()
        end = _END.search(text, own[0].end())
        stop = len(text) if end is None else end.start() + (text[end.start() : end.start() + 1] == "\n")
        return cls(text[:start], text[start:stop], text[stop:], int(own[0][1]))

    @property
    def lines(self) -> int:
        """How many lines stand before it."""
        return self.before.count("\n")

    def with_text(self, abc: str) -> str:
        """Give the file's text with another text for the tune, which keeps its number."""
        if self.number is None:
            return abc
        text = abc.replace("\r\n", "\n").strip("\n") + "\n"
        return self.before + ("" if _TUNE.search(text) else f"X:{self.number}\n") + text + self.after


def page_of(reading: Reading) -> Page:
    """Give the page of a sheet's tune, where that stands in a file beside it."""
    content = reading.files.get(reading.tune_name or "")
    return Page.of(decoded(content) if content is not None else "", reading.table.get("number"))
