"""The plan of a composed tune: its phrases, which of them come back, and which bars inside them are alike.

A section falls into phrases of four bars. Four phrases go A A' B A', the next four C C' D A': the first phrase stays open, the
second says the same and closes, the third goes elsewhere, the last comes home. A phrase that comes back keeps its bars except the
last or last two, where the ending is made anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

# Which bars of a four-bar phrase are alike, and how likely that is; tuned so that composed tunes have as many bars alike as the
# reels, jigs and waltzes counted in melody.json.
_INNER = (("abcd", 0.5), ("abac", 0.36), ("aabc", 0.08), ("abbc", 0.06))
_PHRASE = 4
_ANEW = 0.4  # how often the last two bars of a phrase that comes back are made anew, not the last one alone


@dataclass(frozen=True, slots=True)
class BarPlan:
    """What a bar has to be.

    Parameters
    ----------
    like : int or None
        The number of an earlier bar of which it takes the rhythm and the line.
    ending : str
        ``""`` inside a phrase; ``"open"`` at the end of one that goes on, ``"closed"`` at the end of one that comes home.
    high : bool
        Whether it belongs to a phrase that lies higher than the rest.
    """

    like: int | None = None
    ending: str = ""
    high: bool = False


def plan(sections: list[int], rng: Random) -> list[BarPlan]:
    """Plan sections of so many bars each.

    >>> [bar.like for bar in plan([8], Random(3))][4:6]
    [0, 1]
    """
    out: list[BarPlan] = []
    homes: list[int] = []  # first bars of the phrase that comes home, section by section
    for number, bars in enumerate(sections):
        first = len(out)
        sizes = _sizes(bars)
        kinds = _kinds(len(sizes))
        starts: dict[str, int] = {}
        for i, (kind, size) in enumerate(zip(kinds, sizes, strict=True)):
            last = i == len(sizes) - 1
            source = starts.get(kind)
            if source is None and last and number and homes and len(sizes) > 1:
                source = homes[0]  # the tune comes home at the end of a later section too
            starts.setdefault(kind, len(out))
            closed = last or i % 2 == 1
            high = number % 2 == 1 or kind not in "AC"
            out += _phrase(len(out), size, source, closed=closed, high=high, rng=rng)
        homes.append(first)
    return out


def _sizes(bars: int) -> list[int]:
    """Divide a section into phrases of four bars; what is over makes the last one longer, or one of its own from two bars on.

    >>> _sizes(16), _sizes(9), _sizes(6), _sizes(3)
    ([4, 4, 4, 4], [4, 5], [4, 2], [3])
    """
    whole, over = divmod(bars, _PHRASE)
    sizes = [_PHRASE] * whole
    if over and (over > 1 or not sizes):
        sizes.append(over)
    elif over:
        sizes[-1] += over
    return sizes


def _kinds(count: int) -> list[str]:
    """Name the phrases: AABA, CCDA, EEFA, ...; two are AA, three ABA.

    >>> "".join(_kinds(2)), "".join(_kinds(3)), "".join(_kinds(8))
    ('AA', 'ABA', 'AABACCDA')
    """
    if count == 3:
        return list("ABA")
    out: list[str] = []
    for block in range(0, count, 4):
        letter, other = chr(ord("A") + block // 2), chr(ord("B") + block // 2)
        out += [letter, letter, other, "A"][: count - block]
    return out


def _phrase(first: int, size: int, source: int | None, *, closed: bool, high: bool, rng: Random) -> list[BarPlan]:
    """Plan one phrase that begins with bar ``at``."""
    inner = _drawn(rng)
    same = size - 1 - (size > 2 and rng.random() < _ANEW)  # bars of a phrase that comes back
    out = []
    for i in range(size):
        like: int | None = None
        if source is not None:
            like = source + i if i < same else None
        elif size == _PHRASE and i < size - 1 and inner.index(inner[i]) < i:
            like = first + inner.index(inner[i])
        ending = ("closed" if closed else "open") if i == size - 1 else ""
        out.append(BarPlan(like, ending, high))
    return out


def _drawn(rng: Random) -> str:
    share_left = rng.random()
    for form, share in _INNER:
        share_left -= share
        if share_left < 0:
            return form
    return _INNER[0][0]
