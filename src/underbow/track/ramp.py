"""The tempo ramp: how fast each pass goes, and the one place where quarter notes become seconds.

Conventions
-----------
Tempos are beats a minute and the beat's note value. Inside the map they are quarters a minute, as Fractions. A glide's tempo
is linear in *musical position*: with tempo v(x) = a + (b - a) x / L over L quarters, the time to x is the integral of 60 / v,
which is 60 L / (b - a) * ln(v(x) / a) (elementary calculus; the tests check it against numeric integration).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

from underbow.theory.meter import Tempo

KINDS = ("steps", "glide", "steady")
MOST_PASSES = 200
MOST_EACH, MOST_BETWEEN = 20, 16
SLOWEST, FASTEST = 20, 400  # quarters a minute


@dataclass(frozen=True, slots=True)
class Ramp:
    """How the tempo goes from pass to pass.

    Parameters
    ----------
    kind : str
        ``"steps"``: a pass a tempo; ``"glide"``: it changes evenly throughout; ``"steady"``: all at the goal.
    start, goal : int
        Beats a minute of the first and the last pass; start is at most the goal.
    passes : int
    beat : Fraction
        The beat's length in quarters.
    step : int or None
        For steps: what each pass adds; the last one adds what is left. None shares the way out evenly, in whole numbers.
    each : int
        How often the tune is played at each tempo; ``passes`` counts the tempos.
    between : int
        Bars of clicks before each tempo but the first.

    >>> [str(tempo) for tempo in Ramp("steps", 60, 100, 4, Fraction(3, 2)).tempos]
    ['3/8 = 60', '3/8 = 73', '3/8 = 87', '3/8 = 100']
    >>> [int(tempo.count) for tempo in Ramp.by_step(60, 104, 12).tempos]
    [60, 72, 84, 96, 104]
    """

    kind: str
    start: int
    goal: int
    passes: int
    beat: Fraction = Fraction(1)
    step: int | None = None
    each: int = 1
    between: int = 0

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"a ramp is one of {', '.join(KINDS)}, not {self.kind!r}")
        if not 1 <= self.passes <= MOST_PASSES:
            raise ValueError(f"{self.passes} passes; write 1 to {MOST_PASSES}")
        for tempo in (self.start, self.goal):
            quarters = Tempo(Fraction(tempo), self.beat).quarters_per_minute if tempo > 0 else 0
            if not SLOWEST <= quarters <= FASTEST:
                raise ValueError(
                    f"{tempo} beats a minute is {float(quarters):g} quarter notes a minute; "
                    f"write a tempo of {SLOWEST} to {FASTEST} quarter notes a minute"
                )
        if self.start > self.goal:
            raise ValueError(
                f"start {self.start} is above goal {self.goal}; a track goes from slow to fast, swap the two"
            )
        if self.kind == "steady" and self.start != self.goal:
            raise ValueError(f"a steady track has one tempo, not {self.start} and {self.goal}; leave start out")
        if self.kind == "steps" and self.passes == 1 and self.start != self.goal:
            raise ValueError(
                f"one pass can't step from {self.start} to {self.goal}; write passes = 2 or more, or leave start out"
            )
        for name, value, most in (("each", self.each, MOST_EACH), ("between", self.between, MOST_BETWEEN)):
            least = 1 if name == "each" else 0
            if not least <= value <= most:
                raise ValueError(f"{name} is {value}; write {least} to {most}")
            if self.kind == "glide" and value != least:
                raise ValueError(f"a glide rises all the way, so it has no {name}; leave {name} out, or write steps")
        if self.step is not None and self.passes != _passes(self.start, self.goal, self.step):
            raise ValueError(
                f"step {self.step} makes {_passes(self.start, self.goal, self.step)} passes from {self.start} to "
                f"{self.goal}, not {self.passes}; write either step or passes"
            )

    @classmethod
    def by_step(cls, start: int, goal: int, step: int, beat: Fraction = Fraction(1)) -> Ramp:
        """Make steps of a given size; the number of passes follows, the last one is at the goal."""
        if step < 1:
            raise ValueError(f"step must be 1 or more beats a minute, not {step}")
        return cls("steps", start, goal, _passes(start, goal, step), beat, step)

    @property
    def playings(self) -> int:
        """How often the tune is played in all."""
        return self.passes * self.each

    def gap(self, bar: Fraction, pickup: Fraction) -> Fraction:
        """Quarters between the passes of two tempos, for bars of a length, the last of which holds the pickup; 0 for none.

        >>> Ramp("steps", 60, 90, 2, between=2).gap(Fraction(4), Fraction(1))
        Fraction(7, 1)
        """
        return bar * self.between - pickup if self.between and self.passes > 1 else Fraction(0)

    @property
    def tempos(self) -> tuple[Tempo, ...]:
        """The tempo at the beginning of each pass."""
        return tuple(begin for begin, _ in self.spans)

    @property
    def spans(self) -> tuple[tuple[Tempo, Tempo], ...]:
        """The tempo at the beginning and at the end of each pass; they differ in a glide only.

        >>> [(float(a.count), float(b.count)) for a, b in Ramp("glide", 60, 90, 2).spans]
        [(60.0, 75.0), (75.0, 90.0)]
        """
        rise = self.goal - self.start
        if self.kind == "glide":
            ends = [self.start + Fraction(rise * i, self.passes) for i in range(self.passes + 1)]
            return tuple((self._tempo(a), self._tempo(b)) for a, b in pairwise(ends))
        if self.step is not None:
            counts = [min(self.start + i * self.step, self.goal) for i in range(self.passes)]
        elif self.passes == 1:
            counts = [self.goal]
        else:  # rounded half up: whole numbers are what a metronome shows
            way = [self.start + Fraction(rise * i, self.passes - 1) for i in range(self.passes)]
            counts = [math.floor(position + Fraction(1, 2)) for position in way]
        return tuple((self._tempo(Fraction(count)),) * 2 for count in counts)

    def _tempo(self, count: Fraction) -> Tempo:
        return Tempo(count, self.beat)


def _passes(start: int, goal: int, step: int) -> int:
    return 1 + math.ceil(Fraction(max(goal - start, 0), step))


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch at one tempo, or gliding evenly from one to another; positions in quarters, tempos in quarters a minute."""

    start: Fraction
    length: Fraction
    begin: Fraction
    end: Fraction

    @property
    def steady(self) -> bool:
        """Whether it keeps one tempo."""
        return self.begin == self.end

    def rate(self, quarter: Fraction) -> Fraction:
        """Quarters a minute at a position inside."""
        return self.begin + (self.end - self.begin) * (quarter - self.start) / self.length

    def glided(self, quarters: float) -> float:
        """Seconds from the start to so many quarters into a glide."""
        rise = float((self.end - self.begin) / self.length)
        return 60.0 / rise * math.log1p(rise * quarters / float(self.begin))


@dataclass(frozen=True, slots=True)
class TempoMap:
    """Where in seconds every quarter note lies.

    Before the first segment and after the last one, the first and the last tempo go on. Steady stretches are added up as
    Fractions, so that a pass is as long as its tempo says, to the last bit of a float.

    Parameters
    ----------
    segments : tuple of Segment
        One after the other without a gap.

    Attributes
    ----------
    steady, glided : tuple
        Seconds before each segment: what steady ones take, exactly, and what glides take.

    >>> flat = TempoMap((Segment(Fraction(0), Fraction(8), Fraction(120), Fraction(120)),))
    >>> flat.seconds(Fraction(3)), flat.quarters(1.5)
    (1.5, 3.0)
    """

    segments: tuple[Segment, ...]
    steady: tuple[Fraction, ...] = field(init=False, repr=False, compare=False)
    glided: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _starts: tuple[Fraction, ...] = field(init=False, repr=False, compare=False)
    _seconds: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not self.segments:
            raise ValueError("a tempo map has at least one segment")
        for segment in self.segments:
            if segment.length <= 0 or segment.begin <= 0 or segment.end <= 0:
                raise ValueError(f"a segment's length and tempos are over 0: {segment}")
        if any(a.start + a.length != b.start for a, b in pairwise(self.segments)):
            raise ValueError("segments follow one another without a gap")
        steady, glides, glided = [Fraction(0)], [0.0], [0.0]
        for segment in self.segments:
            exact = 60 * segment.length / segment.begin if segment.steady else Fraction(0)
            steady.append(steady[-1] + exact)
            glides.append(0.0 if segment.steady else segment.glided(float(segment.length)))
            glided.append(math.fsum(glides))
        seconds = tuple(float(exact) + more for exact, more in zip(steady, glided, strict=True))
        object.__setattr__(self, "steady", tuple(steady[:-1]))
        object.__setattr__(self, "glided", tuple(glided[:-1]))
        object.__setattr__(self, "_starts", tuple(segment.start for segment in self.segments))
        object.__setattr__(self, "_seconds", seconds)

    @property
    def end(self) -> Fraction:
        """Where the last segment ends, in quarters."""
        return self.segments[-1].start + self.segments[-1].length

    def seconds(self, quarter: Fraction) -> float:
        """Seconds from the first segment's start to a position."""
        index = self._index(quarter)
        segment = self.segments[index]
        inside = quarter - segment.start
        if segment.steady or inside < 0:
            return float(self.steady[index] + 60 * inside / segment.begin) + self.glided[index]
        if inside > segment.length:
            return self._seconds[index + 1] + float(60 * (inside - segment.length) / segment.end)
        return float(self.steady[index]) + (self.glided[index] + segment.glided(float(inside)))

    def clock(self, grain: int) -> TickClock:
        """Give the same map for positions counted in whole numbers, so many to a quarter."""
        return TickClock(self, grain)

    def _index(self, quarter: Fraction) -> int:
        return min(max(bisect_right(self._starts, quarter) - 1, 0), len(self.segments) - 1)

    def quarters(self, seconds: float) -> float:
        """Position in quarters of a time in seconds: the inverse of :meth:`seconds`, as a float."""
        index = min(max(bisect_right(self._seconds, seconds) - 1, 0), len(self.segments) - 1)
        segment = self.segments[index]
        inside = seconds - self._seconds[index]
        whole = self._seconds[index + 1] - self._seconds[index]
        if segment.steady or inside < 0:
            return float(segment.start) + inside * float(segment.begin) / 60.0
        if inside > whole:
            return float(segment.start + segment.length) + (inside - whole) * float(segment.end) / 60.0
        rise = float((segment.end - segment.begin) / segment.length)
        return float(segment.start) + float(segment.begin) / rise * math.expm1(rise * inside / 60.0)


class TickClock:
    """A tempo map for positions counted in whole numbers, ``grain`` to a quarter: the same seconds, to the last bit.

    Within a steady stretch the seconds are ``(a * tick + b) / c`` in whole numbers, and Python's true division of whole numbers
    is rounded correctly, as that of a Fraction is.

    >>> eight = Fraction(8)
    >>> steps = TempoMap((Segment(0 * eight, eight, 60 * eight, 60 * eight), Segment(eight, eight, 90 * eight, 90 * eight)))
    >>> clock = steps.clock(6)
    >>> clock.seconds(27), steps.seconds(Fraction(27, 6))
    (0.5625, 0.5625)
    >>> clock.pace(12, 48) == clock.pace(13, 20), clock.pace(42, 54)
    (True, None)
    """

    def __init__(self, tempo: TempoMap, grain: int) -> None:
        self._tempo, self._grain = tempo, grain
        starts = [segment.start * grain for segment in tempo.segments]
        self._begins, self._stops = [math.ceil(start) for start in starts], [math.floor(start) for start in starts[1:]]
        rates = {segment.begin: number for number, segment in enumerate(tempo.segments)}
        self._paces = [rates[segment.begin] if segment.steady else None for segment in tempo.segments]
        self._lines: list[tuple[int, int, int, float]] = []
        for segment, steady, glided in zip(tempo.segments, tempo.steady, tempo.glided, strict=True):
            slope = 60 / (segment.begin * grain)
            zero = steady - 60 * segment.start / segment.begin
            whole = math.lcm(slope.denominator, zero.denominator)
            self._lines.append((int(slope * whole), int(zero * whole), whole, glided))

    def _index(self, tick: int) -> int:
        return max(bisect_right(self._begins, tick) - 1, 0)

    def seconds(self, tick: int) -> float:
        """Seconds from the first segment's start to a position."""
        index = self._index(tick)
        if self._paces[index] is None:
            return self._tempo.seconds(Fraction(tick, self._grain))
        slope, zero, whole, glided = self._lines[index]
        return (slope * tick + zero) / whole + glided

    def pace(self, start: int, end: int) -> int | None:
        """Give a number that stretches at one tempo share; None where it lies in several segments, or the tempo glides."""
        index = self._index(start)
        return self._paces[index] if index == len(self._stops) or end <= self._stops[index] else None


def tempo_map(ramp: Ramp, count_in: Fraction, lengths: tuple[Fraction, ...], gap: Fraction = Fraction(0)) -> TempoMap:
    """Lay the ramp over the passes; a glide rises over all of them as one line, the count-in keeps the start tempo.

    Parameters
    ----------
    ramp : Ramp
    count_in : Fraction
        Quarters before the first pass, at least 0.
    lengths : tuple of Fraction
        Quarters of each pass, ``ramp.each`` for each tempo.
    gap : Fraction
        Quarters before each tempo but the first, which go at that tempo already.

    >>> clock = tempo_map(Ramp("steps", 60, 120, 2), Fraction(4), (Fraction(8), Fraction(8)))
    >>> [clock.seconds(Fraction(quarter)) for quarter in (4, 12, 20)]
    [4.0, 12.0, 16.0]
    """
    first = ramp.tempos[0].quarters_per_minute
    segments = [Segment(Fraction(0), count_in, first, first)] if count_in else []
    total, rise = sum(lengths, Fraction(0)), (ramp.goal - ramp.start) * ramp.beat
    position = count_in
    spans = [span for span in ramp.spans for _ in range(ramp.each)]
    for playing, (length, (begin, end)) in enumerate(zip(lengths, spans, strict=True)):
        rates = (begin.quarters_per_minute, end.quarters_per_minute)
        if gap and playing and playing % ramp.each == 0:
            segments.append(Segment(position, gap, *rates))
            position += gap
        if ramp.kind == "glide":  # by position, should one pass be longer than the others
            rates = (
                first + rise * (position - count_in) / total,
                first + rise * (position - count_in + length) / total,
            )
        segments.append(Segment(position, length, *rates))
        position += length
    return TempoMap(tuple(segments))
