"""The path of the left hand through a progression: the shapes of all its chords chosen together.

Each step has the shapes of its chord as choices, each choice its own cost, and each change from one to the next a cost of
its own, the heavier the less time there is. The path with the smallest sum is found exactly, by dynamic programming over
the steps (Bellman's principle of optimality: the best way to a shape goes by the best way to one of the shapes before it);
time and memory grow in proportion to the number of steps.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from operator import add, itemgetter

from underbow.errors import Fault, InputError
from underbow.fiddle.shapes.change import change_cost, hurry
from underbow.fiddle.shapes.cost import WEIGHTS, Weights, cost_of
from underbow.fiddle.shapes.fingerboard import HandShape
from underbow.fiddle.shapes.search import PLAIN, Technique, pinned_shape, playable
from underbow.fiddle.shapes.told import told_about
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord

PAIRS = ((0, 1), (1, 2), (2, 3))
Matrix = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Step:
    """A chord of the progression and how long it lasts.

    Parameters
    ----------
    chord : Chord or None
        None where no chord sounds.
    seconds : float
        How long it lasts, > 0.
    """

    chord: Chord | None
    seconds: float

    def __post_init__(self) -> None:
        if not (self.seconds > 0 and math.isfinite(self.seconds)):
            raise ValueError(f"a step must last some seconds, not {self.seconds}")


@dataclass(frozen=True, slots=True)
class Solution:
    """The easiest path.

    Parameters
    ----------
    shapes : tuple of HandShape or None
        One for each step; None where no chord sounds, or where no shape at all can be played.
    told : tuple of str
        What the player should know, a line each: chords on other strings, tones left out, shapes that fit two chords.
    cost : float
        Points of all shapes and changes (see :mod:`underbow.fiddle.shapes.cost`).
    fallbacks : tuple of str
        Those of the lines told that say what is not as it was asked for.
    """

    shapes: tuple[HandShape | None, ...]
    told: tuple[str, ...] = ()
    cost: float = 0.0
    fallbacks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Choices:
    """The shapes that a chord may take; the key stands for them, so that equal ones are weighed once."""

    key: tuple[object, ...]
    shapes: tuple[HandShape, ...] = field(compare=False)
    chord: Chord = field(compare=False)


def solve(
    steps: Sequence[Step],
    tuning: Tuning,
    pair: tuple[int, int],
    pinned: Mapping[str, str] | None = None,
    technique: Technique = PLAIN,
    *,
    around: bool = False,
    weights: Weights = WEIGHTS,
) -> Solution:
    """Choose the shapes of a whole progression together.

    Parameters
    ----------
    steps : sequence of Step
    tuning : Tuning
    pair : tuple of int
        The strings to stay on, as :meth:`Tuning.pair` gives them.
    pinned : mapping of str to str
        Chord symbol -> hand shape that the teacher wants there, such as ``{"G": "0-3"}``; the rest follows.
    technique : Technique
    around : bool
        Whether the progression goes round, so that the change from the last step to the first counts too.
    weights : Weights

    Returns
    -------
    Solution
        Of all paths one with the smallest cost; always the same one.

    Raises
    ------
    InputError
        For pins that can't be read or played, all of them in one go.

    >>> steps = [Step(Chord.parse(symbol), 2.0) for symbol in "CGDA"]
    >>> [shape.label for shape in solve(steps, Tuning.parse("GDAE"), (0, 1)).shapes]
    ['3-1', '0-0', '1-0', '1-1']
    """
    chords = tuple(dict.fromkeys(step.chord for step in steps if step.chord is not None))
    pins = _pins(pinned or {}, chords, tuning, pair, technique)
    choices = {chord: _choices(chord, pins.get(chord), tuning, pair, technique) for chord in chords}
    company = [(chord.root.number, _bits(chord.numbers)) for chord in chords]
    own = {chord: _own(choices[chord], company, technique.modal, weights) for chord in chords if choices[chord].shapes}
    sounding = [i for i, step in enumerate(steps) if step.chord in own]
    shapes: list[HandShape | None] = [None] * len(steps)
    cost = 0.0
    if sounding:
        layers = [choices[chord] for i in sounding if (chord := steps[i].chord) is not None]
        times = _times(steps, sounding)
        changes = [
            _changes(before, after, hurry(seconds), weights)
            for before, after, seconds in zip(layers, layers[1:], times, strict=False)
        ]
        seam = _changes(layers[-1], layers[0], hurry(times[-1]), weights) if around else None
        path, cost = _cheapest([own[layer.chord] for layer in layers], changes, seam)
        for i, layer, index in zip(sounding, layers, path, strict=True):
            shapes[i] = layer.shapes[index]
    placed = [(step.chord, shape) for step, shape in zip(steps, shapes, strict=True)]
    told, fallbacks = (told_about(placed, tuning, pair, fallbacks=only) for only in (False, True))
    return Solution(tuple(shapes), told, cost, fallbacks)


def path_cost(
    steps: Sequence[Step],
    shapes: Sequence[HandShape | None],
    *,
    modal: bool = False,
    around: bool = False,
    weights: Weights = WEIGHTS,
) -> float:
    """Points of any path: what :func:`solve` makes smallest.

    >>> steps = [Step(Chord.parse(symbol), 2.0) for symbol in "CG"]
    >>> found = solve(steps, Tuning.parse("GDAE"), (0, 1))
    >>> path_cost(steps, found.shapes) == found.cost < path_cost(steps, found.shapes, around=True)
    True
    """
    chords = tuple(dict.fromkeys(step.chord for step in steps if step.chord is not None))
    sounding = [i for i, shape in enumerate(shapes) if shape is not None]
    placed = [
        (chord, shape) for i in sounding if (shape := shapes[i]) is not None and (chord := steps[i].chord) is not None
    ]
    cost = sum(cost_of(shape, chord, modal=modal, others=chords, weights=weights).total for chord, shape in placed)
    following = [*placed[1:], *(placed[:1] if around else ())]
    for (_, before), (_, after), seconds in zip(placed, following, _times(steps, sounding), strict=False):
        cost += hurry(seconds) * change_cost(before, after, weights).total
    return cost


def _pins(
    pinned: Mapping[str, str], chords: Sequence[Chord], tuning: Tuning, pair: tuple[int, int], technique: Technique
) -> dict[Chord, HandShape]:
    faults: list[Fault] = []
    pins: dict[Chord, HandShape] = {}
    for symbol, text in pinned.items():
        try:
            chord = Chord.parse(symbol)
        except ValueError as error:
            faults.append(Fault(str(error), where="shapes"))
            continue
        try:
            shape = pinned_shape(text, chord, tuning, pair, technique)
        except InputError as error:
            faults += [Fault(fault.what, where="shapes") for fault in error.faults]
            continue
        plain = Chord(chord.root, chord.quality)
        for meant in chords:  # "G" is meant for G/B as well, unless that is pinned itself
            if meant == chord or (chord == plain and meant not in pins and Chord(meant.root, meant.quality) == plain):
                pins[meant] = shape
    if faults:
        raise InputError(*faults)
    return pins


def _choices(
    chord: Chord, pin: HandShape | None, tuning: Tuning, pair: tuple[int, int], technique: Technique
) -> _Choices:
    """The shapes of a chord on its pair; on the nearest other pair where it has no two tones there."""
    if pin is not None:
        return _Choices((pin,), (pin,), chord)
    nearest = sorted(PAIRS, key=lambda other: abs(other[0] - pair[0]))
    usable = (other for other in nearest if any(len(s.tones) > 1 for s in playable(chord, tuning, other, technique)))
    strings = next(usable, pair)
    return _Choices(
        (chord.root.number, chord.quality, strings, tuning.midi, technique),
        playable(chord, tuning, strings, technique),
        chord,
    )


def _own(choices: _Choices, company: Sequence[tuple[int, int]], modal: bool, weights: Weights) -> tuple[float, ...]:
    """What each shape costs by itself, in the company of the other chords: root and tones of each."""
    others = [tones for root, tones in company if root != choices.chord.root.number]
    return tuple(
        cost + weights.ambiguous * any(not tones & ~other for other in others)
        for cost, tones in zip(_alone(choices, modal, weights), _tones(choices), strict=True)
    )


@lru_cache(maxsize=4096)
def _tones(choices: _Choices) -> tuple[int, ...]:
    """The tones of each shape as bits; a doubled one as a bit that no chord has, for it makes no other chord likelier."""
    return tuple(_bits(shape.tones) if len(shape.tones) > 1 else 1 << 12 for shape in choices.shapes)


def _bits(numbers: Iterable[int]) -> int:
    return sum(1 << number for number in numbers)


@lru_cache(maxsize=4096)
def _alone(choices: _Choices, modal: bool, weights: Weights) -> tuple[float, ...]:
    return tuple(cost_of(shape, choices.chord, modal=modal, weights=weights).total for shape in choices.shapes)


@lru_cache(maxsize=16384)
def _changes(before: _Choices, after: _Choices, hurried: float, weights: Weights) -> Matrix:
    """What each change costs; a row for each shape after, a column for each before."""
    return tuple(tuple(hurried * cost for cost in row) for row in _unhurried(before, after, weights))


@lru_cache(maxsize=16384)
def _unhurried(before: _Choices, after: _Choices, weights: Weights) -> Matrix:
    """What each change costs with a second to make it."""
    return tuple(tuple(change_cost(old, new, weights).total for old in before.shapes) for new in after.shapes)


def _times(steps: Sequence[Step], sounding: Sequence[int]) -> list[float]:
    """Seconds from each sounding step to the next one: its own, and the silence after it."""
    bounds = [*sounding, len(steps)]
    return [math.fsum(step.seconds for step in steps[start:end]) for start, end in pairwise(bounds)]


def _cheapest(
    own: Sequence[Sequence[float]], changes: Sequence[Matrix], seam: Matrix | None
) -> tuple[list[int], float]:
    """The index to take in each layer, and the cost of the path; going round, it is sought from each first shape in turn.

    A chord has a handful of shapes: tuples are as fast here as arrays would be, and nothing has to be loaded for them.
    """
    if seam is None:
        return _onward(own[0], own, changes)
    begin = ([cost if i == first else math.inf for i, cost in enumerate(own[0])] for first in range(len(own[0])))
    return min((_onward(best, own, changes, home) for best, home in zip(begin, seam, strict=True)), key=itemgetter(1))


def _onward(
    best: Sequence[float],
    own: Sequence[Sequence[float]],
    changes: Sequence[Matrix],
    home: Sequence[float] | None = None,
) -> tuple[list[int], float]:
    """The path from a first layer whose shapes cost ``best``, and its cost; ``home`` is what the change back costs."""
    came: list[list[int]] = []
    for change, here in zip(changes, own[1:], strict=True):
        through = [list(map(add, best, row)) for row in change]
        least = [min(row) for row in through]
        came.append([row.index(cost) for row, cost in zip(through, least, strict=True)])
        best = list(map(add, least, here))
    if home is not None:
        best = list(map(add, best, home))
    cost = min(best)
    path = [best.index(cost)]
    for back in reversed(came):
        path.append(back[path[-1]])
    return path[::-1], cost
