"""Words under the notes: the ``w:`` lines of the ABC standard 2.1, section 5.1."""

from __future__ import annotations

import re
from collections.abc import Sequence

from underbow.tune.abc.fields import plain_text

# A syllable to the sign that ends it; a hyphen after a space or another hyphen takes a note of its own.
_SIGN = re.compile(r"(?P<sign>[*_|]|-)|(?P<syllable>(?:\\-|[^\s*_|-])+)(?P<on>-?)")

# What would be read as a sign of its own, in a syllable.
_ESCAPED = {" ": "~", "-": "\\-"} | {sign: f"&#{ord(sign)};" for sign in "\\&%~*_|"}


def sung_to(words: str, bars: Sequence[int]) -> tuple[list[str], str]:
    r"""Give what is sung to each note of a line.

    Parameters
    ----------
    words : str
        The value of a ``w:`` line: ``-`` ends a syllable inside a word, ``_`` holds one over a note more, ``*`` leaves a note
        out, ``|`` goes to the next bar, ``~`` is a space inside a syllable, ``\-`` a hyphen.
    bars : sequence of int
        For each note the number of its bar, rising.

    Returns
    -------
    syllables : list of str
        As :class:`~underbow.tune.tune.Note` has them.
    left : str
        The words for which there is no note.

    >>> sung_to("Wet socks on~the | stile-_ now", [1, 1, 1, 1, 2, 2, 2, 2])
    (['Wet', 'socks', 'on the', '', 'stile-', '_', 'now', ''], '')
    """
    out = [""] * len(bars)
    at = 0
    for match in _SIGN.finditer(words):
        if match["sign"] == "|" and bars:
            here = bars[max(at - 1, 0)]
            at = next((i for i, bar in enumerate(bars) if bar > here), len(bars))
            continue
        if at >= len(bars):
            return out, words[match.start() :].strip() if match["syllable"] else ""
        if match["syllable"]:
            text = match["syllable"].replace("\\-", "\u2010").replace("~", " ")
            out[at] = plain_text(text).replace("\u2010", "-").strip() + match["on"]
        elif match["sign"] in "_-":
            out[at] = "_"
        at += 1
    return out, ""


def as_sung(syllables: Sequence[str], bars: Sequence[int]) -> str:
    r"""Write what is sung to the notes of a line as the value of a ``w:`` line: what :func:`sung_to` reads.

    Parameters
    ----------
    syllables : sequence of str
        As :class:`~underbow.tune.tune.Note` has them.
    bars : sequence of int
        For each note the number of its bar, rising; a line between two is written where no note is left out beside it.

    >>> as_sung(["Wet", "socks", "on the", "", "sti-", "le", "_", "now"], [1, 1, 1, 1, 2, 2, 2, 2])
    'Wet socks on~the * | sti-le_ now'
    """
    out, goes_on = "", False
    for number, (syllable, bar) in enumerate(zip(syllables, bars, strict=True)):
        if number and bar > bars[number - 1]:
            out += " | "
        if syllable in ("", "_"):
            out += "_" if syllable else " * "
            goes_on = False
            continue
        space = "" if goes_on else " "
        goes_on = len(syllable) > 1 and syllable.endswith("-")
        text = "".join(_ESCAPED.get(sign) or sign for sign in syllable.removesuffix("-" if goes_on else ""))
        text = "".join(f"&#{ord(sign)};" if sign.isspace() else sign for sign in text)
        out += f"{space}{text}{'-' if goes_on else ''}"
    return " ".join(re.sub(r"[\s*|]+$", "", out).split())
