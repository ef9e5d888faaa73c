"""Text as it may be shown: nothing in it steers a terminal, a page or a player, and sharps and flats look like music.

What a file says is never trusted: it passes one of these on its way to a screen, a page, a tag or a name.
"""

from __future__ import annotations

import re

JOINERS = "\u200c\u200d"  # shape letters in Persian and the scripts of India
_FLATS = re.compile(r"(?<=[A-G0-9])b+|(?<![A-Za-z])b+(?=\d)")


def is_shown(sign: str) -> bool:
    r"""Whether a character is seen, rather than steering what stands round it.

    >>> is_shown("é"), is_shown("\x1b"), is_shown("\u202e")
    (True, False, False)
    """
    return sign.isprintable() or sign in JOINERS


def is_plain(text: str) -> bool:
    r"""Whether a text holds nothing but what is seen, spaces and line ends.

    >>> is_plain("d - u\n"), is_plain("\x1b[2J")
    (True, False)
    """
    return text.isprintable() or all(map(is_shown, "".join(text.split())))


def one_line(text: str, longest: int | None = None) -> str:
    r"""Give a text in one line: without what isn't seen, one space for every stretch of them, cut where it is too long.

    >>> one_line("Lamplight  on\nthe landing\x00"), one_line("Lamplight", 6)
    ('Lamplight on the landing', 'Lampl…')
    """
    line = " ".join("".join(sign for sign in text if is_shown(sign) or sign.isspace()).split())
    return line if longest is None or len(line) <= longest else line[: longest - 1] + "…"


def plain_lines(text: str) -> str:
    r"""Give a text line by line as :func:`one_line` does, without empty lines at its ends.

    >>> plain_lines("Begin slowly.\r\n\x1b[31mThen\tfaster.\n")
    'Begin slowly.\n[31mThen faster.'
    """
    return "\n".join(one_line(line) for line in text.splitlines()).strip()


def visible(text: str, keep: str = "") -> str:
    r"""Write what isn't seen, line ends among it, as an escape, but for the characters to keep.

    >>> visible("a\x1b[2J\nb"), visible("a\x1b[2J\nb", keep="\n")
    ('a\\x1b[2J\\nb', 'a\\x1b[2J\nb')
    """
    if text.isprintable():
        return text
    return "".join(
        sign if sign in keep or is_shown(sign) else sign.encode("unicode_escape").decode("ascii") for sign in text
    )


def signs(text: str) -> str:
    """Write the sharps and flats in names of notes, chords, keys and fingers as musicians do.

    >>> signs("F#m7b5/Bb"), signs("Bb dim"), signs("bb7")
    ('F♯m7♭5/B♭', 'B♭ dim', '♭♭7')
    """
    return _FLATS.sub(lambda flats: "♭" * len(flats[0]), text.replace("#", "♯"))


def nth(number: int) -> str:
    """Write which one of several it is.

    >>> nth(1), nth(2), nth(3), nth(11), nth(22)
    ('1st', '2nd', '3rd', '11th', '22nd')
    """
    ending = "th" if number // 10 % 10 == 1 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"
