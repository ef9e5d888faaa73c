"""Names that every system takes."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from underbow.text import JOINERS, one_line

__all__ = ["apart", "safe_name"]

_LONGEST = 120
# In UTF-16, as Windows counts: a lesson's folder, a sheet's, a title and a mix, all of the longest, leave 55 of its 260 for
# where they lie.
_MOST_SIGNS = 48
_RESERVED = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])\s*(\..*)?", re.IGNORECASE)


def safe_name(title: str, *, longest: int = _LONGEST) -> str:
    """Make a file name, without its ending, from a title in any language.

    Parameters
    ----------
    title : str
    longest : int
        Most bytes in UTF-8; systems take 255 with the ending. Besides, there are never more than 48 characters.

    Returns
    -------
    str
        In Unicode form NFC, never empty: no separators, control or direction characters, nothing Windows keeps for
        itself, no dot, dash or space at the start, no dot or space at the end.

    Examples
    --------
    >>> safe_name("Lamplight on the landing: 6/8")
    'Lamplight on the landing- 6-8'
    >>> safe_name("  ../../etc  "), safe_name("nul"), safe_name("???")
    ('etc', '_nul', 'untitled')
    """
    text = re.sub(r"[/\\|:]+", "-", unicodedata.normalize("NFC", title))
    text = one_line(re.sub(r'[*?"<>]', "", text)).lstrip(" .-").rstrip(" .")
    if _RESERVED.fullmatch(text):
        text = "_" + text
    text = _cut(text, "utf-16-le", 2 * _MOST_SIGNS)
    return _cut(text, "utf-8", longest) or "untitled"


def apart(names: Iterable[str]) -> list[str]:
    """Number the names that would meet in a folder where case makes no difference.

    >>> apart(["Reel", "reel", "Jig", "Reel 2"])
    ['Reel', 'reel 2', 'Jig', 'Reel 2 2']
    """
    out: list[str] = []
    taken: set[str] = set()
    for name in names:
        new, number = name, 1
        while new.casefold() in taken:
            number += 1
            new = f"{name} {number}"
        taken.add(new.casefold())
        out.append(new)
    return out


def _cut(text: str, encoding: str, longest: int) -> str:
    """Shorten a name to so many bytes, not between a letter and its accent."""
    while len(text.encode(encoding)) > longest:
        cut = len(text.encode(encoding)[:longest].decode(encoding, errors="ignore"))
        while cut and (unicodedata.combining(text[cut]) or text[cut] in JOINERS):
            cut -= 1
        text = text[:cut].rstrip(" .")
    return text
