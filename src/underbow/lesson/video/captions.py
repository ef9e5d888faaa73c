r"""Text that goes with a video: chapters for the passes, tags, and the chords as subtitles.

Sources: ffmpeg's documentation of its metadata format ("ffmetadata": ``=``, ``;``, ``#``, ``\\`` and line ends are escaped);
SubRip, common practice, no published standard.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from underbow.text import one_line

__all__ = ["chapters", "subtitles"]


def chapters(stretches: Iterable[tuple[float, float, str]], tags: Mapping[str, str]) -> str:
    r"""Write tags and chapters as ffmpeg reads them.

    Parameters
    ----------
    stretches : iterable of (float, float, str)
        Start and end in seconds, and a title.
    tags : mapping of str to str

    >>> print(chapters([(0, 2.5, "count-in")], {"title": "A; B"}))
    ;FFMETADATA1
    title=A\; B
    [CHAPTER]
    TIMEBASE=1/1000
    START=0
    END=2500
    title=count-in
    <BLANKLINE>
    """
    lines = [";FFMETADATA1", *(f"{name}={_escaped(text)}" for name, text in tags.items())]
    for start, end, title in stretches:
        lines += ["[CHAPTER]", "TIMEBASE=1/1000", f"START={round(1000 * start)}", f"END={round(1000 * end)}"]
        lines.append(f"title={_escaped(title)}")
    return "\n".join([*lines, ""])


def _escaped(text: str) -> str:
    return re.sub(r"([=;#\\])", r"\\\1", one_line(text))


def subtitles(data: Mapping[str, Any], words: Mapping[str, str]) -> str:
    """Write every chord, with its hand shape, for as long as it is held.

    Parameters
    ----------
    data : mapping
        As :func:`~underbow.lesson.timeline.page_timeline` gives it.
    words : mapping
        As :data:`~underbow.lesson.practice.words.ENGLISH`.
    """
    changes: Sequence[tuple[float, int]] = data["chords"]
    ends = [*(start for start, _ in changes[1:]), data["end"]]
    first = data["passes"][0][0]
    spans = [(data["tuned"], min(first, changes[0][0]) if changes else first, words["count_in"])]
    spans += [(start, end, _said(data["hands"][hand], words)) for (start, hand), end in zip(changes, ends, strict=True)]
    whole = [(start, end, text) for start, end, text in spans if end - start >= 1]
    return "\n".join(
        f"{number}\n{_clock(start)} --> {_clock(end)}\n{text}\n" for number, (start, end, text) in enumerate(whole, 1)
    )


def _said(hand: Mapping[str, Any], words: Mapping[str, str]) -> str:
    """A chord and where the fingers go, the lower string first as teachers write it."""
    if not hand["stops"]:
        return str(hand["chord"] or words["no_chord"])
    stops = ", ".join(f"{string} {finger}" for string, finger in reversed(hand["stops"]))
    return f"{hand['chord']} ({stops})"


def _clock(milliseconds: float) -> str:
    """Write a time as SubRip does.

    >>> _clock(3_723_004.4)
    '01:02:03,004'
    """
    seconds, rest = divmod(round(milliseconds), 1000)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02}:{minutes:02}:{seconds:02},{rest:03}"
