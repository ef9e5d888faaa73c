"""Which letters can be shown: those of the fonts that come along with typst, and those of the system's fonts.

Whatever no font has would come out as an empty box; it is left out instead, and that is said.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from underbow.errors import UnderbowError
from underbow.lesson.typeset import NoLetterError, SettingError, typeset
from underbow.text import one_line

__all__ = ["PATIENCE", "Shown", "left_out_of", "shown", "without"]

PATIENCE = 12  # typst names the letters that are missing of one run of text at a time
_BESIDE = r"[^\s\u0000-\u024f\u2000-\u206f]*"
_PAGE = b"""#set document(title: "letters")
#set text(font: ("Libertinus Serif",))
#sys.inputs.data
"""


class Shown(NamedTuple):
    """A text without what can't be shown, what was left out, and whether the system's fonts are needed for the rest."""

    text: str
    left_out: tuple[str, ...] = ()
    system_fonts: bool = False


def without(text: str, letters: str) -> tuple[str, list[str]]:
    """Leave letters out, and with them what stands beside them in a script other than Latin: half a word says nothing.

    Returns
    -------
    str
        The rest.
    list of str
        What was left out.

    >>> without("Snow 雪の堰", "堰")
    ('Snow ', ['雪の堰'])
    """
    missing = re.compile(f"{_BESIDE}[{re.escape(letters)}]{_BESIDE}")
    return missing.sub("", text), missing.findall(text)


def shown(text: str) -> Shown:
    """Find what of a text can be shown on this machine.

    >>> shown("Rushes at Low Water")
    Shown(text='Rushes at Low Water', left_out=(), system_fonts=False)
    """
    if text.isascii() or not _missing(text, system_fonts=False):
        return Shown(text)
    left_out: dict[str, None] = {}
    for _ in range(PATIENCE):
        letters = _missing(text, system_fonts=True)
        if not letters:
            return Shown(text.strip(), tuple(left_out), system_fonts=True)
        text, found = without(text, letters)
        left_out |= dict.fromkeys(found)
    raise UnderbowError(f"{text}: no font has its letters")


def left_out_of(title: str, left_out: Sequence[str], where: str) -> str:
    """Say what was left out, and the cure.

    >>> left_out_of("雪", ["雪"], "the video")[:57]
    '雪: no font on this machine has 雪; left out of the video: '
    """
    return (
        f"{one_line(title)}: no font on this machine has {' '.join(left_out)}; left out of {where}: "
        "install one that has (the Noto fonts have every script)"
    )


def _missing(text: str, *, system_fonts: bool) -> str:
    """The letters of a text, or of its first run, that can't be shown; nothing where all can."""
    try:
        typeset(_PAGE, text, "looking for fonts", system_fonts=system_fonts)
    except NoLetterError as missing:
        return missing.letters
    except SettingError as error:
        raise UnderbowError(f"fonts could not be looked for: {error}") from error
    return ""
