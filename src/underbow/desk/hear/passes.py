"""Passes of a sheet, played and laid out in frames: as far as they are needed at once, or to their end.

A stream plays one pass at a time, and the first sound shall come at once: so only its first bars are played then, exactly as in
the whole pass, and the rest while they are heard. Whole passes are remembered, so that what was prepared, goes round, or is
heard again isn't played again.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field, replace
from fractions import Fraction
from threading import Lock

from underbow.errors import InputError
from underbow.sound.recorded import RecordedMelody
from underbow.sound.stems import Plan, plan
from underbow.sound.voice.voices import frame_of
from underbow.track.performance import Performance
from underbow.track.ramp import Ramp
from underbow.track.recorded import Recorded
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet

__all__ = ["Passes", "Played", "Turn", "after"]

_KEPT = 8  # passes, or their beginnings


@dataclass(frozen=True, slots=True)
class Turn:
    """Which pass: at which tempo, from 1, and the how-manieth time at it.

    ``parts`` says which are heard (all where it is empty), ``count`` how many bars of clicks come before, ``recorded`` what plays
    the melody in place of the voice.
    """

    number: int = 1
    time: int = 1
    parts: tuple[str, ...] = ()
    count: int = 0
    recorded: Recorded | None = None


@dataclass(frozen=True, slots=True)
class Played:
    """A pass in frames from where its count-in begins.

    Parameters
    ----------
    performance : Performance
    plans : tuple of Plan
        Of its parts; none of a melody that is recorded.
    rate : int
        Frames a second.
    melody : (int, RecordedMelody) or None
        A melody that is recorded, with the place of its part.
    """

    performance: Performance
    plans: tuple[Plan | None, ...]
    rate: int
    melody: tuple[int, RecordedMelody] | None = None

    def frame(self, quarter: Fraction) -> int:
        """Give the frame of a position in the pass."""
        return self.at(self.performance.passes[0].start + quarter)

    def at(self, quarter: Fraction) -> int:
        """Give the frame of a position from the first sound."""
        return frame_of(self.performance.tempo.seconds(quarter), self.rate)


@dataclass(slots=True)
class Passes:
    """The passes that were played last.

    Parameters
    ----------
    rate : int
        Frames a second.
    """

    rate: int
    _known: OrderedDict[tuple[int, Turn, Fraction | None], tuple[Sheet, Played]] = field(default_factory=OrderedDict)
    _lock: Lock = field(default_factory=Lock)

    def begun(self, sheet: Sheet, turn: Turn, upto: Fraction) -> Played:
        """Give a pass of which all that begins before a position, in quarters from its start, is there."""
        if turn.recorded is not None:  # how loud the whole melody is says how loud the recording is played
            return self.whole(sheet, turn)
        return self._remembered(sheet, turn) or self._played(sheet, turn, upto)

    def whole(self, sheet: Sheet, turn: Turn) -> Played:
        """Give a whole pass.

        Raises
        ------
        InputError
            Where there is no such tempo.
        """
        return self._played(sheet, turn, None)

    def _played(self, sheet: Sheet, turn: Turn, upto: Fraction | None) -> Played:
        played = self._remembered(sheet, turn, upto)
        if played is None:
            played = _play(sheet, turn, self.rate, upto)
            with self._lock:
                self._known[id(sheet), turn, upto] = (sheet, played)  # the sheet keeps its number its own
                while len(self._known) > _KEPT:
                    self._known.popitem(last=False)
        return played

    def _remembered(self, sheet: Sheet, turn: Turn, upto: Fraction | None = None) -> Played | None:
        key = id(sheet), turn, upto
        with self._lock:
            found = self._known.get(key)
            if found is not None:
                self._known.move_to_end(key)
        return found[1] if found is not None else None


def after(ramp: Ramp, turn: Turn) -> tuple[int, int] | None:
    """Which tempo comes after a pass, and the how-manieth time at it; None after the last."""
    if turn.time < ramp.each:
        return turn.number, turn.time + 1
    return (turn.number + 1, 1) if turn.number < ramp.passes else None


def _play(sheet: Sheet, turn: Turn, rate: int, upto: Fraction | None = None) -> Played:
    """Play one pass, counted in, and the next one so that they join; one that nothing joins comes to its end."""
    ramp = sheet.ramp
    if not 1 <= turn.number <= ramp.passes:
        raise InputError(f"there is no tempo {turn.number}; there are {ramp.passes}")
    following = after(ramp, turn)
    if ramp.between and following is not None and following[0] > turn.number:
        following = None  # clicks come between
    begin, end = ramp.spans[turn.number - 1]
    goal = end if following is None else ramp.spans[following[0] - 1][1]
    slow, fast = round(begin.count), round(goal.count)
    kind = "steady" if slow == fast else "glide" if ramp.kind == "glide" else "steps"
    two = Ramp(kind, slow, fast, 1 if following is None else 2, ramp.beat)
    played = perform(
        replace(sheet, ramp=two, count_in=turn.count, tuning_notes=False),
        until=None if upto is None else lambda timeline: timeline.starts[0] + upto,
    )
    if turn.parts:
        played = replace(played, parts=tuple(part for part in played.parts if part.name in turn.parts))
    row = next((row for row, part in enumerate(played.parts) if part.name == "melody"), None)
    if turn.recorded is None or row is None:
        return Played(played, tuple(plan(part, played.tempo, rate) for part in played.parts), rate)
    played = replace(played, recorded=turn.recorded)
    plans = (None if at == row else plan(part, played.tempo, rate) for at, part in enumerate(played.parts))
    return Played(played, tuple(plans), rate, (row, RecordedMelody(played, rate)))
