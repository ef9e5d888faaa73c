"""A player's recording in place of the melody's instrument: which stretch of it sounds where in a pass.

Plain data: what hears the recording makes it, what sounds it reads it.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from underbow.track.ramp import TempoMap

_ATTACK, _ROOM = 0.02, 0.4  # seconds round a note's beginning; at most this share of the way to the next point


@dataclass(frozen=True, slots=True)
class Excerpt:
    """What is played of a recording without a break.

    Parameters
    ----------
    points : tuple of (Fraction, float)
        Quarters from the start of a pass, and seconds of the recording, both rising: bar lines and beats. At least two.
    rings_to : float
        Second up to which it may ring on where nothing follows.
    """

    points: tuple[tuple[Fraction, float], ...]
    rings_to: float

    def cut(self, end: Fraction) -> Excerpt | None:
        """What of it lies before a quarter; None where nothing does."""
        kept = [point for point in self.points if point[0] < end]
        if not kept:
            return None
        if len(kept) < len(self.points):
            (a, here), (b, there) = kept[-1], self.points[len(kept)]
            kept.append((end, here + (there - here) * float((end - a) / (b - a))))
        return Excerpt(tuple(kept), self.rings_to) if len(kept) > 1 else None


@dataclass(frozen=True, slots=True)
class Recorded:
    """A recording of the melody.

    Parameters
    ----------
    samples : Path
        A file of float32 samples, mono, in the machine's own order; noise eased.
    rate : int
        Frames a second.
    excerpts : tuple of Excerpt
        One pass, in order of quarters.
    level : float
        dB RMS of what is played of it, re full scale.
    by : str
        Whose playing it is; may be empty.
    begun : tuple of float
        Seconds of the recording at which notes begin, rising.
    """

    samples: Path
    rate: int
    excerpts: tuple[Excerpt, ...]
    level: float
    by: str = ""
    begun: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Line:
    """A stretch of the track on which the recording goes on without a break.

    Parameters
    ----------
    track, tape : tuple of float
        Seconds of the track, and of the recording, at its points.
    rings_to : float
        Second of the recording.
    joined : bool
        Whether the one before it ends where this one begins.
    """

    track: tuple[float, ...]
    tape: tuple[float, ...]
    rings_to: float
    joined: bool


def lines(
    recorded: Recorded, tempo: TempoMap, starts: tuple[Fraction, ...], lengths: tuple[Fraction, ...]
) -> list[Line]:
    """Lay a recording on the passes of a track.

    Examples
    --------
    >>> from underbow.track.ramp import Segment
    >>> whole = Fraction(8)
    >>> clock = TempoMap((Segment(0 * whole, whole, Fraction(60), Fraction(60)),))
    >>> once = Recorded(Path("fiddle"), 44_100, (Excerpt(((Fraction(0), 1.0), (Fraction(4), 3.0)), 3.5),), -20.0)
    >>> [(line.track, line.tape, line.joined) for line in lines(once, clock, (Fraction(0), Fraction(4)), (Fraction(4),) * 2)]
    [((0.0, 4.0), (1.0, 3.0), False), ((4.0, 8.0), (1.0, 3.0), True)]
    """
    out: list[Line] = []
    for start, length in zip(starts, lengths, strict=True):
        for whole in recorded.excerpts:
            excerpt = whole.cut(length)
            if excerpt is None:
                continue
            track = tuple(tempo.seconds(start + at) for at, _ in excerpt.points)
            joined = bool(out) and abs(out[-1].track[-1] - track[0]) < 1e-6
            tape = tuple(second for _, second in excerpt.points)
            out.append(Line(*_at_their_pace(track, tape, recorded.begun), excerpt.rings_to, joined))
    return out


def _at_their_pace(
    track: tuple[float, ...], tape: tuple[float, ...], begun: tuple[float, ...]
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Let notes begin at the pace at which they were played: what lies between makes up for it, and no attack is drawn out.

    >>> track, tape = _at_their_pace((0.0, 4.0), (1.0, 3.0), (2.0,))
    >>> [round(second, 2) for second in track], [round(second, 2) for second in tape]
    ([0.0, 1.98, 2.0, 2.02, 4.0], [1.0, 1.98, 2.0, 2.02, 3.0])
    """
    inside = begun[bisect_left(begun, tape[0]) : bisect_right(begun, tape[-1])]
    firsts = dict(zip(inside, np.interp(inside, tape, track).tolist(), strict=True))
    points = sorted({*zip(tape, track, strict=True), *firsts.items()})
    out = []
    for at, (second, there) in enumerate(points):
        before = min(np.subtract(points[at], points[at - 1])) if at else 0.0
        after = min(np.subtract(points[at + 1], points[at])) if at + 1 < len(points) else 0.0
        if second in firsts:
            back, on = min(_ATTACK, _ROOM * float(before)), min(_ATTACK, _ROOM * float(after))
            out += (
                [(second - back, there - back)] * (back > 0)
                + [(second, there)]
                + [(second + on, there + on)] * (on > 0)
            )
        else:
            out.append((second, there))
    return tuple(there for _, there in out), tuple(second for second, _ in out)
