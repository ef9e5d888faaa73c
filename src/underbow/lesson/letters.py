"""Which letters can be shown: those of the fonts that come along with typst, and those of the system's fonts.

Whatever no font has would come out as an empty box; it is left out instead, and that is said.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import NamedTuple

from underbow.errors import UnderbowError
from underbow.lesson.typeset import NoLetterError, SettingError, typeset
from underbow.text import one_line

__all__ = ["Setting", "Shown", "left_out_of", "shown", "typeset_shown", "without"]

_PATIENCE = 12  # typst names the letters that are missing of one run of text at a time
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


class Setting(NamedTuple):
    """What was set: its pages, the data as far as they could be shown, what was left out, whether the system's fonts served."""

    pages: list[bytes]
    data: str
    left_out: tuple[str, ...]
    system_fonts: bool


def typeset_shown(
    template: bytes, data: str, doing: str, leave_out: Callable[[str, str], tuple[str, list[str]]]
) -> Setting:
    """Set a template with as much of its data as this machine has letters for.

    Parameters
    ----------
    template : bytes
    data : str
    doing : str
        As :func:`~underbow.lesson.typeset.typeset` has them.
    leave_out : callable
        Given the data and letters, gives it without them, and what went with them.

    Raises
    ------
    SettingError
        Where it can't be set.
    """
    lost: dict[str, None] = {}
    for attempt in range(_PATIENCE):
        try:
            pages = typeset(template, data, doing, system_fonts=attempt > 0)
        except NoLetterError as missing:
            if attempt:  # not even the system's fonts have it
                data, left_out = leave_out(data, missing.letters)
                lost |= dict.fromkeys(left_out)
        else:
            return Setting(pages, data, tuple(lost), attempt > 0)
    raise SettingError("no font has its letters")


def shown(text: str) -> Shown:
    """Find what of a text can be shown on this machine.

    >>> shown("Rushes at Low Water")
    Shown(text='Rushes at Low Water', left_out=(), system_fonts=False)
    """
    if text.isascii():
        return Shown(text)
    try:
        _, rest, left_out, system_fonts = typeset_shown(_PAGE, text, "looking for fonts", without)
    except SettingError as error:
        raise UnderbowError(f"{text}: fonts could not be looked for: {error}") from error
    return Shown(rest.strip() if left_out else rest, left_out, system_fonts)


def left_out_of(title: str, left_out: Sequence[str], where: str) -> str:
    """Say what was left out, and the cure.

    >>> left_out_of("雪", ["雪"], "the video")[:57]
    '雪: no font on this machine has 雪; left out of the video: '
    """
    return (
        f"{one_line(title)}: no font on this machine has {' '.join(left_out)}; left out of {where}: "
        "install one that has (the Noto fonts have every script)"
    )
