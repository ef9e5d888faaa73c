"""One bow, one breath: how loud it is at every moment, and what sounds in it at which phase.

Everything that changes slowly is worked out on a coarse grid of *control points*, :func:`control_step` frames apart, and drawn
out to frames along straight lines. That is what makes a stroke cheap: a few dozen operations on short arrays, and for
each frame no more than a look into a table.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from underbow.sound.synth.ringing import multiplied
from underbow.sound.voice.voices import Action, ActionNote, Floats

CENT = np.log(2.0) / 1200


@dataclass(frozen=True, slots=True)
class Style:
    """How a kind of player starts, shapes and ends a gesture. Pairs are for the softest and the hardest accent.

    Parameters
    ----------
    rise : (float, float)
        Seconds until the tone is full.
    bite : (float, float)
        How far the start stands out, as a share of the level that follows.
    down : float
        How much more of both a down-bow has, and an up-bow less.
    tilt : float
        dB by which a down-bow falls off and an up-bow grows over its length.
    swell : float
        dB of a long gesture's middle above its ends.
    surge : float
        How far a pulse inside the gesture stands out.
    early : float
        Seconds before its end in which a gesture begins to fall.
    joined, lifted, open : float
        Seconds in which the tone falls to 1/e where the next gesture follows at once, where it doesn't, and where it doesn't
        and an open string is left ringing.
    settle : float
        Cents by which the hardest start is flat.
    vibrato : (float, float)
        Cents to each side, and Hz; for long solo notes.
    tremor : float
        dB to each side by which the loudness goes with the vibrato.
    wander : float
        Cents, RMS, by which a played pitch is never quite still.
    flutter : float
        Share, RMS, by which its strength isn't either.
    """

    rise: tuple[float, float] = (0.034, 0.012)
    bite: tuple[float, float] = (0.12, 0.5)
    down: float = 0.15
    tilt: float = 0.8
    swell: float = 3.0
    surge: float = 0.35
    early: float = 0.012
    joined: float = 0.016
    lifted: float = 0.06
    open: float = 0.13
    settle: float = 14.0
    vibrato: tuple[float, float] = (10.0, 5.5)
    tremor: float = 0.0
    wander: float = 1.2
    flutter: float = 0.05


LONG = 0.42  # seconds from which a solo note has vibrato
VIBRATO_DELAY, VIBRATO_GROWTH = 0.16, 0.3  # seconds
SWELL_FROM = 0.6  # seconds


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a gesture in which nothing starts or stops.

    ``kind`` is what happens at its start: ``attack``, ``pulse`` (the same notes again), ``slur`` (another note), ``rest``.
    """

    start: int
    end: int
    level: float
    kind: str
    notes: tuple[ActionNote, ...]


@dataclass(frozen=True, slots=True)
class Tone:
    """One pitch, held over one or several spans; ``weights`` are its shares of the amplitude at the control points."""

    midi: int
    string: int | None
    start: int
    end: int
    weights: Floats


def control_step(rate: int) -> int:
    """Frames between control points: about 1,400 points a second.

    >>> control_step(44_100), control_step(96_000)
    (32, 64)
    """
    return max(8, 1 << (rate // 1060).bit_length() - 1)


def drawn(points: Floats, step: int) -> Floats:
    """Draw control points out to frames: shape (points,) in, ((points - 1) * step,) out, of the same precision.

    >>> drawn(np.array([0.0, 1.0, 3.0]), 2).tolist()
    [0.0, 0.5, 1.0, 2.0]
    """
    ends = np.stack((points[:-1], points[1:]), axis=1)
    return multiplied(ends, _ramps(step).astype(points.dtype)).reshape(-1)


@lru_cache(maxsize=4)
def _ramps(step: int) -> Floats:
    up = np.arange(step) / step
    return np.stack((1.0 - up, up))


def spans(action: Action) -> tuple[Span, ...]:
    """Cut an action where its notes start and stop."""
    cuts = sorted({note.at for note in action.notes} | {note.end for note in action.notes})
    found: list[Span] = []
    before: frozenset[tuple[int, int | None]] = frozenset()
    for start, end in pairwise(cuts):
        notes = tuple(note for note in action.notes if note.at <= start < note.end)
        now = frozenset((note.midi, note.string) for note in notes)
        if start == 0:
            kind = "attack"
        elif not now:
            kind = "rest"
        elif any(note.at == start for note in notes) and (now == before or not before):
            kind = "pulse"
        else:
            kind = "slur"
        found.append(Span(start, end, max((note.level for note in notes), default=0.0), kind, notes))
        before = now
    return tuple(found)


def tones(parts: tuple[Span, ...], points: int, step: int, fade: int) -> list[Tone]:
    """Say what sounds how strongly: notes sounding together share the power, and change over in ``fade`` points."""
    held: list[tuple[ActionNote, list[int]]] = []
    for index, span in enumerate(parts):
        for note in span.notes:
            same = [h for h in held if (h[0].midi, h[0].string) == (note.midi, note.string) and h[1][-1] >= index - 1]
            if same:
                if same[-1][1][-1] != index:
                    same[-1][1].append(index)
            else:
                held.append((note, [index]))
    found = []
    for note, indices in held:
        weights: Floats = np.zeros(points)
        for index in indices:
            span = parts[index]
            power = sum(10.0 ** ((other.level - span.level) / 10) for other in span.notes)
            own = next(n for n in span.notes if (n.midi, n.string) == (note.midi, note.string))
            first = 0 if index == 0 else span.start // step
            last = points if index == len(parts) - 1 else span.end // step
            weights[first : max(last, first + 1)] = 10.0 ** ((own.level - span.level) / 20) / np.sqrt(power)
        if len(parts) > 1:
            weights = smoothed(weights, fade)
        found.append(Tone(note.midi, note.string, parts[indices[0]].start, parts[indices[-1]].end, weights))
    return found


def smoothed(points: Floats, width: int) -> Floats:
    """Round steps off over so many points, the ends held.

    >>> smoothed(np.array([0.0, 0.0, 0.0, 1.0, 1.0, 1.0]), 3).round(2).tolist()
    [0.0, 0.0, 0.25, 0.75, 1.0, 1.0]
    """
    window = _window(width | 1)
    padded = np.concatenate([np.full(width // 2, points[0]), points, np.full(width // 2, points[-1])])
    return np.convolve(padded, window, "valid")


@lru_cache(maxsize=16)
def _window(width: int) -> Floats:
    window = np.hanning(width + 2)[1:-1]
    return np.asarray(window / window.sum())


def shape(
    action: Action, parts: tuple[Span, ...], style: Style, time: Floats, *, rate: int, fall: float
) -> tuple[Floats, Floats]:
    """Give the amplitude, and how hard the string is driven (0 to 1), at the control points.

    Parameters
    ----------
    time : shape (points,)
        Seconds, the first 0, evenly spaced.
    rate : int
    fall : float
        Seconds in which the ending falls to 1/e.

    Returns
    -------
    amplitude, drive : shape (points,)
        The amplitude's RMS over each span is the span's level.
    """
    length = action.frames / rate
    hard = action.hardness
    lean = {"d": style.down, "u": -style.down}.get(action.bow, 0.0)
    if action.ornament:
        hard *= 0.4
    within = np.minimum(time / length, 1.0)
    rise = min(between(style.rise, hard) * (1.0 - lean), 0.4 * length)
    amplitude = np.sin(np.minimum(time / rise, 1.0) * (0.5 * np.pi)) ** 2
    start = np.exp(time * (-1 / 0.07))
    amplitude *= 1.0 + between(style.bite, hard) * (1.0 + lean) * start
    drive = np.clip((0.25 + 0.45 * hard) * (1.0 + 0.5 * lean) + (0.1 + 0.3 * hard) * (1.0 + lean) * start, 0.0, 1.0)
    decibels: Floats = np.sign(lean) * style.tilt * (1.0 - 2.0 * within)
    if length > SWELL_FROM:
        middle = np.sin(np.pi * within) * min((length - SWELL_FROM) / 0.8 + 0.2, 1.0)
        decibels = decibels + style.swell * middle
        drive += 0.15 * middle
    amplitude *= np.exp(decibels * (np.log(10.0) / 20))
    gains: Floats = np.empty(len(time))
    step = round((time[1] - time[0]) * rate)
    for span in parts:
        first, last = span.start // step, max(span.end // step, span.start // step + 1)
        since = time[first:] - time[first]
        if span.kind == "pulse":
            swing = np.exp(since * (-1 / 0.11)) * np.minimum(since / 0.035, 1.0)
            amplitude[first:] *= 1.0 + style.surge * swing
            drive[first:] += 0.2 * swing
        if style.tremor and action.solo and span.end - span.start >= LONG * rate:
            amplitude[first:last] *= np.exp(_swing(since[: last - first], style) * (style.tremor * np.log(10.0) / 20))
        inside = amplitude[first:last]
        gains[first:] = 0.0 if span.kind == "rest" else 10.0 ** (span.level / 20) / np.sqrt(np.mean(inside**2) + 1e-9)
    if len(parts) > 1:
        gains = smoothed(gains, max(int(0.03 * rate / step), 3))
        for span in parts[1:]:
            dip = {"pulse": 0.3, "slur": 0.12}.get(span.kind, 0.0)
            amplitude *= 1.0 - dip * np.exp(-(((time - span.start / rate + 0.012) / 0.016) ** 2))
    amplitude *= gains
    after = np.maximum(time - (length - min(style.early, 0.16 * length)), 0.0)
    amplitude *= np.exp(after * (-1 / fall)) * np.clip((time[-1] - time) / 0.008, 0.0, 1.0)
    drive *= np.exp(after * (-1 / 0.03))
    return amplitude, np.clip(drive, 0.0, 1.0)


def cents(tone: Tone, style: Style, time: Floats, rate: int, *, hard: float, vibrato: bool, drift: Floats) -> Floats:
    """Give how far a tone's pitch is from its note at some of the control points, in cents.

    Parameters
    ----------
    time : shape (points,)
        Seconds from the gesture's start.
    drift : shape (points,)
        Slow noise of RMS 1.
    """
    bent = style.wander * drift
    if tone.start == 0:
        bent = bent - style.settle * hard * np.exp(time * (-1 / 0.022))
    if vibrato:
        bent = bent + style.vibrato[0] * _swing(time - tone.start / rate, style)
    return bent


def _swing(since: Floats, style: Style) -> Floats:
    """Give the vibrato, -1 to 1, so many seconds after a note's start."""
    since = np.maximum(since - VIBRATO_DELAY, 0.0)
    swing: Floats = np.minimum(since / VIBRATO_GROWTH, 1.0) * np.sin(since * (2 * np.pi * style.vibrato[1]))
    return swing


def between(pair: tuple[float, float], share: float) -> float:
    """Give what lies so far between the two of a pair."""
    return pair[0] + (pair[1] - pair[0]) * share
