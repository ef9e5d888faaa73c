"""What was heard of a tune: its bars and notes as somebody played them."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from underbow.ear.melody.onsets import Placed


@dataclass(frozen=True, slots=True)
class BarHeard:
    """A bar as somebody played it.

    Parameters
    ----------
    index : int
        Its place among the melody's bars.
    number, time : int
        As printed; and the how-manieth time it is played in the recording.
    points : tuple of (Fraction, float)
        Quarters from its start, and seconds of the recording: its beginning, the beats that are plain, its end.
    sure : float
        0 to 1.
    doubts : tuple of str
        What isn't as written, in words.
    """

    index: int
    number: int
    time: int
    points: tuple[tuple[Fraction, float], ...]
    sure: float
    doubts: tuple[str, ...] = ()

    @property
    def start(self) -> float:
        """Second at which it begins."""
        return self.points[0][1]

    @property
    def end(self) -> float:
        """Second at which it is over."""
        return self.points[-1][1]

    @property
    def called(self) -> str:
        """What a message calls it."""
        return f"bar {self.number}" + (f", time {self.time}" if self.time > 1 else "")


@dataclass(frozen=True, slots=True)
class Alignment:
    """A recording laid on a melody.

    Parameters
    ----------
    bars : tuple of BarHeard
        In the order played.
    notes : tuple of Placed
        In the order played.
    pitch : float
        Hz of the player's A4.
    sure : float
        0 to 1: the share of it whose pitches fit.
    told : tuple of str
        What is wrong with the sound, though it can be used.
    """

    bars: tuple[BarHeard, ...]
    notes: tuple[Placed, ...]
    pitch: float
    sure: float
    told: tuple[str, ...] = ()
