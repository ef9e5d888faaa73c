"""Which way through the tune somebody took: the cheapest path through all its places, frame by frame.

The tune is laid out as places of equal length, one of which lasts about a frame at the tempo that is tried. From frame to frame
the player stays, goes on by one or by two (Viterbi's algorithm, 1967), or goes from the end of a section to the beginning of
any other: so repeats may be played once, twice, or the tune round and round. Before and after it there may be anything.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from underbow.ear.melody.salience import LOWEST, PITCHES
from underbow.ear.spectra import RATE, Floats
from underbow.tune.tune import Melody

HOP = 768  # samples, 35 ms
_ANYTHING, _SILENCE = 0.5, 0.3  # cost of a frame that isn't the tune
_FORBIDDEN = 50.0  # of a place where a bar line set by hand has another one
_NEARLY = 0.8  # of the clearest pitch
_STEPS = (0.12, 0.0, 0.12)  # of staying, of going on by one, by two
_JUMP, _ASIDE = 1.0, 8.0  # of going to another section than the next, of beginning or ending inside one
_LATER = 1.5  # of beginning with another section than the first: more than a jump, or a part that is played once were its repeat
_SPREAD = 2.0**0.25  # between the tempos that are tried
_LEAST, _MOST = 0.45, 2.2  # of the tempo that the tune is expected at

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Leg:
    """What was played without going back.

    Parameters
    ----------
    quarters, seconds : float arrays, shape (points,)
        Places in the melody, rising, and when they were played.
    """

    quarters: Array
    seconds: Array

    def when(self, quarter: float) -> float:
        """Second at which a place was played; beyond the ends as fast as on the whole."""
        return float(np.interp(quarter, self.quarters, self.seconds))

    @property
    def start(self) -> float:
        """First place."""
        return float(self.quarters[0])

    @property
    def end(self) -> float:
        """Last place."""
        return float(self.quarters[-1])


@dataclass(frozen=True, slots=True)
class Route:
    """A way through the tune.

    Parameters
    ----------
    legs : tuple of Leg
        In time.
    cost : float
        Mean of its frames.
    fits : float
        Share of its frames whose pitch fits, 0 to 1.
    covers : float
        Share of what sounds in the recording that lies on it, 0 to 1.
    """

    legs: tuple[Leg, ...]
    cost: float
    fits: float
    covers: float


def find_route(
    clear: Floats,
    level: Floats,
    melody: Melody,
    per_minute: float,
    fixed: dict[int, tuple[Fraction, ...]] | None = None,
) -> Route:
    """Find the way through a melody.

    Parameters
    ----------
    clear, level : float32 arrays, shapes (frames, PITCHES) and (frames,)
        As :func:`~underbow.ear.melody.salience.salience` gives them, at :data:`HOP`.
    melody : Melody
    per_minute : float
        Quarters a minute that are about expected.
    fixed : dict of int to tuple of Fraction, optional
        For a frame, the places of the melody that may be played there.

    Returns
    -------
    Route
        Without legs where none of it fits better than anything else.
    """
    tempos = per_minute * np.geomspace(_LEAST, _MOST, round(np.log(_MOST / _LEAST) / np.log(_SPREAD)) + 1)
    quiet = level < np.quantile(level, 0.95) - 32
    routes = []
    for tempo in tempos.tolist():
        ground = _Ground(melody, HOP / RATE * tempo / 60)
        routes.append(_Walk(clear, quiet, ground, fixed or {}).route())
    return min(routes, key=lambda route: route.cost)


class _Ground:
    """A melody as places, each ``step`` quarters long.

    Attributes
    ----------
    pitches : int array, shape (places,)
        Column of the pitch that sounds there, -1 for a rest.
    starts, ends : list of list of int
        From where the player may go back or on, and where to: where the next pickup begins, and at the bar lines themselves.
    enter, leave : float array, shape (places,)
        What it costs to begin and to stop there.
    """

    def __init__(self, melody: Melody, step: float) -> None:
        self.step = step
        self._count = max(int(float(melody.length) / step), 4)
        self.pitches = np.full(self._count, -1)
        for note in melody.notes:
            low, high = self.place(note.start), max(self.place(note.end), self.place(note.start) + 1)
            self.pitches[low:high] = min(max(note.midi - LOWEST, 0), PITCHES - 1)
        heads = [section.bars[0].start for section in melody.sections]
        joints = [
            [self.place(max(head - melody.pickup, Fraction(0))) for head in heads],
            [self.place(head) for head in heads],
        ]
        self.starts = [sorted(set(places)) for places in joints]
        self.ends = [sorted({*(at for at in places if at > 0), self._count - 1}) for places in joints]
        bars = [self.place(bar.start) for bar in melody.bars]
        self.enter, self.leave = np.full(self._count, np.inf), np.full(self._count, np.inf)
        self.enter[bars], self.leave[bars] = _ASIDE, _ASIDE
        for starts, ends in zip(self.starts, self.ends, strict=True):
            self.enter[starts], self.leave[ends] = _LATER, 0.0
            self.enter[starts[0]] = 0.0
            self.leave[[max(end - 1, 0) for end in ends]] = 0.0
        self.enter[0] = self.leave[-1] = 0.0
        last = self.place(melody.length - melody.pickup)
        self.leave[last] = min(self.leave[last], 1.0)

    def place(self, quarter: Fraction) -> int:
        """The place of a position."""
        return min(round(float(quarter) / self.step), self._count - 1)


@dataclass(slots=True)
class _Trail:
    """How each place was come to at each frame: by 0, 1 or 2 steps, by a jump (3 and 4), or from before the tune (5)."""

    came: NDArray[np.int8]
    jumped: NDArray[np.int32]
    left: NDArray[np.int32]  # the last place, where the tune was left for good at this frame; else -1


class _Walk:
    """One tempo tried."""

    def __init__(
        self, clear: Floats, quiet: NDArray[np.bool_], ground: _Ground, fixed: dict[int, tuple[Fraction, ...]]
    ) -> None:
        self._clear, self._quiet, self._ground, self._fixed = clear, quiet, ground, fixed

    def _costs(self, frame: int) -> Array:
        """What each place costs at a frame."""
        padded = np.append(1 - self._clear[frame], 0.15 if self._quiet[frame] else 0.45)
        if self._quiet[frame]:
            padded[:-1] = 0.5 * padded[:-1] + 0.35
        cost = padded[self._ground.pitches]
        if frame in self._fixed:
            near = {self._ground.place(quarter) + by for quarter in self._fixed[frame] for by in (-1, 0, 1)}
            forbidden = np.ones(len(cost), bool)
            forbidden[[at for at in near if 0 <= at < len(cost)]] = False
            cost = np.where(forbidden, cost + _FORBIDDEN, cost)
        return np.asarray(cost, np.float64)

    def route(self) -> Route:
        """The cheapest way."""
        ground, frames, count = self._ground, len(self._clear), len(self._ground.pitches)
        trail = _Trail(
            np.zeros((frames, count), np.int8), np.zeros((frames, 2), np.int32), np.full(frames, -1, np.int32)
        )
        before, after = 0.0, np.inf  # costs of not having begun, of having ended
        total = np.full(count, np.inf)
        every = np.arange(count)
        options = np.full((3, count), np.inf)
        for frame in range(frames):
            options[0] = total + _STEPS[0]
            options[1, 1:] = total[:-1] + _STEPS[1]
            options[2, 2:] = total[:-2] + _STEPS[2]
            best = options.argmin(axis=0)
            new = options[best, every]
            for kind, (starts, ends) in enumerate(zip(ground.starts, ground.ends, strict=True)):
                end = ends[int(total[ends].argmin())]
                for start in starts:
                    if total[end] + _JUMP < new[start] and start != end:
                        new[start], best[start], trail.jumped[frame, kind] = total[end] + _JUMP, 3 + kind, end
            closer = before + ground.enter < new
            new[closer], best[closer] = (before + ground.enter)[closer], 5
            trail.came[frame] = best
            leaving = total + ground.leave
            end = int(leaving.argmin())
            if leaving[end] < after:
                after, trail.left[frame] = float(leaving[end]), end
            idle = _SILENCE if self._quiet[frame] else _ANYTHING
            after += idle
            before += idle
            total = new + self._costs(frame)
        return self._traced(total, after, before, trail)

    def _traced(self, total: Array, after: float, before: float, trail: _Trail) -> Route:
        frames = len(trail.came)
        frame = frames - 1
        at = int((total + self._ground.leave).argmin())
        cost = float((total + self._ground.leave)[at])
        if after < cost:
            cost = after
            while frame > 0 and trail.left[frame] < 0:
                frame -= 1
            at, frame = int(trail.left[frame]), frame - 1
        if before <= cost or frame < 0:
            return Route((), before / frames, 0.0, 0.0)
        points: list[list[tuple[int, int]]] = [[]]
        while frame >= 0:
            points[-1].append((at, frame))
            how = int(trail.came[frame, at])
            if how == 5:
                break
            if how >= 3:
                at = int(trail.jumped[frame, how - 3])
                points.append([])
            else:
                at -= how
            frame -= 1
        legs = [leg for piece in reversed(points) if (leg := self._leg(piece[::-1])) is not None]
        every = [point for piece in points for point in piece]
        covered = sum(not self._quiet[frame] for _, frame in every) / max(int((~self._quiet).sum()), 1)
        return Route(tuple(legs), cost / frames, self._fits(every), covered)

    def _fits(self, points: list[tuple[int, int]]) -> float:
        """Share of the frames with a note in which it is the clearest pitch, or nearly."""
        notes = [(self._ground.pitches[place], frame) for place, frame in points]
        fits = [self._clear[frame, pitch] > _NEARLY for pitch, frame in notes if pitch >= 0 and not self._quiet[frame]]
        return float(np.mean(fits)) if fits else 0.0

    def _leg(self, piece: list[tuple[int, int]]) -> Leg | None:
        places, frames = np.array(piece).T
        first = np.flatnonzero(np.diff(places, prepend=-1) > 0)
        if len(first) < 4:
            return None
        quarters, seconds = places[first] * self._ground.step, frames[first] * HOP / RATE
        return Leg(np.asarray(quarters, float), np.asarray(seconds, float))
