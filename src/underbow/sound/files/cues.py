"""Where the passes lie, for people and programs that jump to them: a label file for editors, a cue sheet for players.

Label file: start, end and text, tab separated, in plain seconds: common practice, no source. Cue sheet: one audio file, a track
for each pass, ``INDEX 01 minutes:seconds:frames`` with 75 frames a second as on an audio CD (IEC 60908).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from underbow.text import one_line
from underbow.track.performance import Pass, Performance

__all__ = ["Stretch", "cue_sheet", "label_file", "stretches"]

_CD_FRAMES = 75
_MOST_TRACKS = 99


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of the track in seconds, and what to call it."""

    start: float
    end: float
    text: str


def stretches(performance: Performance) -> Iterator[Stretch]:
    """Give tuning notes and count-in, where they are there, and the passes; the first one begins with the sound."""
    seconds = performance.tempo.seconds
    if performance.count_in > 0:
        begun = list(performance.opening()) or [(Fraction(0), "count-in")]
        edges = [0.0, *(seconds(start) for start, _ in begun[1:]), seconds(performance.count_in)]
        for (_, text), (start, end) in zip(begun, pairwise(edges), strict=True):
            yield Stretch(start, end, text)
    for played in performance.passes:
        yield Stretch(seconds(played.start), seconds(played.end), pass_text(played))


def pass_text(played: Pass) -> str:
    """Name a pass by its number and tempo.

    >>> from fractions import Fraction
    >>> from underbow.theory.meter import Tempo
    >>> slow, fast = (Tempo(Fraction(count), Fraction(1)) for count in (60, 80))
    >>> pass_text(Pass(2, 1, 2, Fraction(4), Fraction(4), Fraction(8), slow, fast))
    'pass 2, 1/4 = 60 to 80'
    """
    text = played.title
    return text if played.end_tempo == played.tempo else f"{text} to {played.end_tempo.written}"


def label_file(performance: Performance) -> str:
    """Give the label file: one line a stretch, six decimals."""
    return "".join(f"{each.start:.6f}\t{each.end:.6f}\t{each.text}\n" for each in stretches(performance))


def cue_sheet(performance: Performance, audio: str, title: str) -> str:
    """Give the cue sheet for an audio file of this name.

    Parameters
    ----------
    performance : Performance
    audio : str
        File name, without folder.
    title : str

    Returns
    -------
    str
        At most 99 tracks, the most a cue sheet holds; passes beyond belong to the last one.
    """
    kind = "MP3" if audio.endswith(".mp3") else "WAVE"
    lines = [f"TITLE {_quoted(title)}", f"FILE {_quoted(audio)} {kind}"]
    for number, each in enumerate(list(stretches(performance))[:_MOST_TRACKS], start=1):
        total = round(each.start * _CD_FRAMES)
        minutes, rest = divmod(total, 60 * _CD_FRAMES)
        seconds, frames = divmod(rest, _CD_FRAMES)
        lines += [f"  TRACK {number:02} AUDIO", f"    TITLE {_quoted(each.text)}"]
        lines += [f"    INDEX 01 {minutes:02}:{seconds:02}:{frames:02}"]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """Quote a text; a cue sheet has no way to write a quotation mark inside."""
    return '"' + one_line(text).replace('"', "'") + '"'
