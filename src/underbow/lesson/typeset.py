"""The one way to typst, which sets the printed sheet and the pieces of a video's board.

Everything comes in as data and is never read as markup.
"""

from __future__ import annotations

import json
import re
from typing import Literal, cast

from underbow.steps import step

__all__ = ["NoLetterError", "SettingError", "typeset"]

_UNSHOWN = re.compile(r'the text `("(?:[^"\\]|\\.)*")` could not be displayed')
_BY_NUMBER = re.compile(r"\\u\{([0-9a-f]+)\}")  # as typst writes letters that aren't printable


class SettingError(Exception):
    """What typst had to say."""


class NoLetterError(Exception):
    """Letters that no font has that may be used; typst names those of one run of text at a time."""

    def __init__(self, letters: str) -> None:
        super().__init__(letters)
        self.letters = letters


def typeset(
    template: bytes, data: str, doing: str, *, form: Literal["pdf", "png"] = "pdf", system_fonts: bool = False
) -> list[bytes]:
    r"""Set a template with its data.

    Parameters
    ----------
    template : bytes
        In typst, which finds the data in ``sys.inputs.data``.
    data : str
    doing : str
        What it is for, should the library die of it.
    form : {"pdf", "png"}
        One PDF after PDF/UA-1 (ISO 14289-1), or a picture of each page, a pixel to a point.
    system_fonts : bool
        Whether the system's fonts may be used beside those that come along.

    Raises
    ------
    NoLetterError
        In a PDF: in a picture an empty box stands for a letter that no font has.
    SettingError
        Where the template or the data are wrong.

    Examples
    --------
    >>> typeset(b'#set document(title: "x")\n#sys.inputs.data', "Rushes", "an example")[0][:5]
    b'%PDF-'
    """
    import typst  # noqa: PLC0415  a large library

    try:
        with step(doing):
            made = typst.compile(
                template,
                sys_inputs={"data": data},
                format=form,
                ppi=72 if form == "png" else None,
                ignore_system_fonts=not system_fonts,
                pdf_standards="ua-1" if form == "pdf" else [],
            )
    except typst.TypstError as error:
        line = str(error).splitlines()[0]
        if found := _UNSHOWN.search(line):
            raise NoLetterError(_read(found[1])) from error
        raise SettingError(line) from error
    pages = cast("list[bytes] | bytes", made)  # its types know of one file alone
    return [pages] if isinstance(pages, bytes) else pages


def _read(written: str) -> str:
    r"""Read a text as typst writes it in a message.

    >>> _read(r'"雪\u{10fffd}"') == "雪\U0010fffd"
    True
    """
    text: str = json.loads(_BY_NUMBER.sub(lambda number: json.dumps(chr(int(number[1], 16)))[1:-1], written))
    return text
