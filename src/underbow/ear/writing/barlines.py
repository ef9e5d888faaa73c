"""Where the bar lines lie in a line of notes: its meter, and how long its pickup is.

Each meter and each place for its first bar line is weighed by what a listener goes by. On which places of a bar notes of a
length begin, after one of another; where the melody turns; where a passage begins that was heard some bars ago; where the last
note of a part lies; how well the notes of each bar go together in one chord; how long pickups usually are; how many bars parts
usually have. What speaks how much for which place was counted in a collection of tunes, and the weights of the seven
kinds found, by ``benchmarks/recording/barlines.py``: such that the shares of meters and pickups are how likely they are.

Conventions: places are sixteenths from the first note; a line is a list of :class:`~underbow.tune.midi.quantise.Played`.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from importlib.resources import files
from math import log
from typing import Any

import numpy as np
from numpy.typing import NDArray

from underbow.theory.meter import Meter
from underbow.tune.midi.quantise import Played

__all__ = [
    "COUNTED",
    "KINDS",
    "SEEN",
    "STEPS",
    "TRIED",
    "WHOLE",
    "Sign",
    "Tables",
    "bars_long",
    "claims",
    "find_meter",
    "find_pickup",
    "lengthened",
    "signs",
    "steps",
    "usual_eighth",
]

Array = NDArray[np.float64]

SIXTEENTHS = 4  # to a quarter
COUNTED = ("4/4", "3/4", "6/8")  # meters whose tables are in the file; the others take theirs from them
TRIED = ("4/4", "6/8", "3/4", "9/8")
SEEN = ("length", "turn", "again", "last")  # kinds that have tables
KINDS = (*SEEN, "chord", "usual", "long")
STEPS = 32  # sixteenths from a note to the next, at most, that are counted
WHOLE = (4, 6, 8, 12, 16, 24)  # bars of parts that are counted each by itself
_LENGTHS = (1.5, 2.5, 3.5, 4.5, 6.5, 8.5)  # sixteenths between classes of lengths
_AGAIN = (1, 2, 4, 8)  # bars after which a passage is heard again
_PASSAGE = 0.75  # of a bar: a shorter one is none
_EIGHTH, _WALTZED = 0.19, 0.26  # seconds of an eighth that are usual in dances, and in those of three quarters
_PACED = 0.3  # spread of its logarithm: a tune may be played slowly for learners
_CHORD = 20.0  # so that the weights are of one size
_TRIADS = np.array(
    [[(tone - root) % 12 in (0, third, 7) for tone in range(12)] for root in range(12) for third in (4, 3)]
)


@dataclass(frozen=True, slots=True)
class Sign:
    """Something that speaks for bar lines at some places more than at others: its kind, what exactly, and where it is."""

    kind: str
    what: str
    place: int


@dataclass(frozen=True, slots=True)
class Tables:
    """What was counted.

    Parameters
    ----------
    weights : mapping of str to float
        Of each of :data:`KINDS`.
    signs : mapping of (str, str) to array, shape (sixteenths of a bar,)
        For a kind and what it is exactly, the logarithm of how much more often it lies on a place of the bar than anything does.
        Under "" for what was not met with.
    usual : array, shape (sixteenths of a bar,)
        Logarithms of how usual pickups of so many sixteenths are.
    long : mapping of str to float
        Logarithms of how usual it is for a part to be so long, as :func:`bars_long` says it.
    """

    weights: Mapping[str, float]
    signs: Mapping[tuple[str, str], Array]
    usual: Array
    long: Mapping[str, float]


def signs(line: Sequence[Played], bar: int, part: Fraction | None) -> Iterator[Sign]:
    """Give what is seen in a line, whose bars have so many sixteenths, and whose parts so many quarters, where that is known."""
    begins = np.array([round(note.start * SIXTEENTHS) for note in line])
    ends = np.array([round(note.end * SIXTEENTHS) for note in line])
    lengths = [str(np.searchsorted(_LENGTHS, length)) for length in np.diff(begins, append=ends[-1])]
    for at, place in enumerate(begins.tolist()):
        yield Sign("length", f"{lengths[at - 1] if at else '-'} {lengths[at]}", place)
    turns = np.sign(np.diff([note.midi for note in line]))
    for at in range(1, len(line) - 1):
        yield Sign("turn", f"{turns[at - 1]:+d} {turns[at]:+d}", int(begins[at]))
    for last in _lasts(line, part):
        yield Sign("last", lengths[last], int(begins[last]))
    heard = np.zeros(int(ends.max()) + 1, int)  # the pitch where a note begins
    heard[begins] = [note.midi for note in line]
    sounding = heard[np.maximum.accumulate(np.where(heard > 0, np.arange(len(heard)), 0))]
    for bars in _AGAIN:
        lag = bars * bar
        same = (sounding[lag:] == sounding[:-lag]) & ((heard[lag:] > 0) == (heard[:-lag] > 0))
        edges = np.diff(np.concatenate([[0], same.astype(int), [0]]))
        for first, end in zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True):
            if first and end - first >= _PASSAGE * bar:
                yield Sign("again", str(bars), first)


def _lasts(line: Sequence[Played], part: Fraction | None) -> list[int]:
    """The last note of each part, and of all."""
    out = [len(line) - 1]
    if part is not None:
        ends = [note.end for note in line]
        joints = [part * number for number in range(1, int(ends[-1] / part + Fraction(1, 2)))]
        out += [at - 1 for joint in joints if (at := bisect_right(ends, joint))]
    return out


def bars_long(part: Fraction, bar: int) -> str:
    """Say how many bars of so many sixteenths a part of so many quarters has.

    >>> bars_long(Fraction(24), 12), bars_long(Fraction(24), 16), bars_long(Fraction(18), 16)
    ('8', '6', 'none')
    """
    bars = part * SIXTEENTHS / bar
    return "none" if bars.denominator > 1 else str(bars) if bars in WHOLE else "others"


def claims(line: Sequence[Played], tables: Tables, part: Fraction | None) -> Array:
    """How much each kind speaks for each pickup, shape (eighths of a bar, kinds), before it is weighed."""
    bar = len(tables.usual)
    pickups = np.arange(0, bar, 2)
    out = np.zeros((len(pickups), len(KINDS)))
    counts = dict.fromkeys(SEEN, 0)
    for sign in signs(line, bar, part):
        table = tables.signs.get((sign.kind, sign.what), tables.signs[sign.kind, ""])
        out[:, SEEN.index(sign.kind)] += table[(sign.place - pickups) % bar]
        counts[sign.kind] += 1
    out[:, : len(SEEN)] /= np.sqrt(np.maximum([counts[kind] for kind in SEEN], 1))
    out[:, KINDS.index("chord")] = [_CHORD * share for share in _in_chords(line, pickups, bar)]
    out[:, KINDS.index("usual")] = tables.usual[pickups]
    out[:, KINDS.index("long")] = 0.0 if part is None else tables.long[bars_long(part, bar)]
    return out


def _in_chords(line: Sequence[Played], pickups: NDArray[np.int64], bar: int) -> Iterator[float]:
    """For each pickup, how much of a bar's notes lies on the average in the triad that it fits best."""
    tones = np.zeros((int(max(note.end for note in line) * SIXTEENTHS) + 1, 12))
    for note in line:
        tones[round(note.start * SIXTEENTHS) : round(note.end * SIXTEENTHS), note.midi % 12] = 1
    before = np.concatenate([np.zeros((1, 12)), tones.cumsum(axis=0)])
    for pickup in pickups.tolist():
        starts = np.arange(pickup, len(before) - bar, bar)
        bars = before[starts + bar] - before[starts]
        yield float(((bars @ _TRIADS.T).max(axis=1) / np.maximum(bars.sum(axis=1), 1)).mean()) if len(bars) else 0.0


def find_pickup(line: Sequence[Played], meter: Meter, part: Fraction | None = None) -> Fraction:
    """Find how long the pickup of a line is, in quarters: a number of eighths.

    Parameters
    ----------
    line : sequence of Played
    meter : Meter
    part : Fraction, optional
        Quarters of a part, where one is known to be repeated.

    Examples
    --------
    >>> song = [(2, 67), (4, 72), (2, 72), (4, 76), (2, 76), (4, 74), (2, 72), (4, 74), (2, 76), (6, 72)]
    >>> line, now = [], Fraction(0)
    >>> for length, midi in song:
    ...     line.append(Played(now, now + Fraction(length, 4), midi))
    ...     now = line[-1].end
    >>> find_pickup(line, Meter.parse("6/8"))
    Fraction(1, 2)
    """
    return Fraction(int(_weighed(line, meter, part).argmax()), 2)


def find_meter(
    line: Sequence[Played], part: Fraction | None = None, eighth: float | None = None
) -> tuple[Meter, float]:
    """Find the likeliest meter of a line; and how likely it is against the others that are tried, 0 to 1.

    Parameters
    ----------
    line : sequence of Played
    part : Fraction, optional
        Quarters of a part, where one is known to be repeated.
    eighth : float, optional
        Seconds of an eighth, where it was played: waltzes go slower.
    """
    meters = [Meter.parse(name) for name in TRIED]
    merits = [_weighed(line, meter, part) for meter in meters]
    if eighth is not None:
        merits = [
            merit - 0.5 * (log(eighth / usual_eighth(meter)) / _PACED) ** 2
            for merit, meter in zip(merits, meters, strict=True)
        ]
    most = max(float(merit.max()) for merit in merits)
    likely = np.array([np.exp(merit - most).sum() for merit in merits])
    best = int(likely.argmax())
    return meters[best], float(likely[best] / likely.sum())


def usual_eighth(meter: Meter) -> float:
    """Give how long an eighth of a meter usually is, seconds."""
    return _WALTZED if meter.bar == 3 and not meter.compound else _EIGHTH


def _weighed(line: Sequence[Played], meter: Meter, part: Fraction | None) -> Array:
    tables = _tables(meter)
    return np.asarray(claims(line, tables, part) @ np.array([tables.weights[kind] for kind in KINDS]))


@cache
def _kept() -> dict[str, Any]:
    read: dict[str, Any] = json.loads((files("underbow.ear.writing") / "barlines.json").read_text())
    return read


def _like(meter: Meter) -> str:
    """The counted meter from which another takes its tables."""
    return "6/8" if meter.compound else "3/4" if meter.bar == 3 else "4/4"


@cache
def _tables(meter: Meter) -> Tables:
    kept = _kept()
    counted = _like(meter)
    of = kept["meters"][counted]
    bar = round(meter.bar * SIXTEENTHS)
    places = lengthened(Meter.parse(counted), bar)

    def laid(hundredths: Sequence[int]) -> Array:
        return np.array(hundredths, float)[places] / 100

    tables = {(kind, what): laid(row) for kind in SEEN for what, row in of["signs"][kind].items()}
    long = {what: share / 100 for what, share in kept["long"].items()}
    return Tables(kept["weights"], tables, laid(of["usual"]), long)


@cache
def steps(meter: Meter) -> Array:
    """For each sixteenth of a bar, how usual it is for the next note to begin 1 to ``STEPS`` later: logarithms of the shares."""
    counted = _like(meter)
    places = lengthened(Meter.parse(counted), round(meter.bar * SIXTEENTHS))
    return np.array(_kept()["meters"][counted]["steps"], float)[places] / 100


def lengthened(counted: Meter, bar: int) -> list[int]:
    """For each sixteenth of a longer or shorter bar, the one of a counted bar that is like it.

    Its last beat is like the last one, the others are like those of the same number.

    >>> lengthened(Meter.parse("6/8"), 18)
    [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 6, 7, 8, 9, 10, 11]
    """
    beat = round((counted.beat if counted.compound else 1) * SIXTEENTHS)
    beats, last = -(-bar // beat), round(counted.bar * SIXTEENTHS) // beat - 1
    return [
        (last if place // beat == beats - 1 else min(place // beat, last)) * beat + place % beat for place in range(bar)
    ]
