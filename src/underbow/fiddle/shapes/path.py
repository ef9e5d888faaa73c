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

import numpy as np
from numpy.typing import NDArray

from underbow.errors import Fault, InputError
from underbow.fiddle.shapes.change import change_cost, hurry
from underbow.fiddle.shapes.cost import WEIGHTS, Weights, cost_of
from underbow.fiddle.shapes.fingerboard import HandShape
from underbow.fiddle.shapes.search import PLAIN, Technique, pinned_shape, playable
from underbow.fiddle.shapes.told import told_about
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord

PAIRS = ((0, 1), (1, 2), (2, 3))


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
    company = np.array([(chord.root.number, _bits(chord.numbers)) for chord in chords], dtype=np.int64).reshape(-1, 2)
    own = {chord: _own(choices[chord], company, technique.modal, weights) for chord in chords if choices[chord].shapes}
    at = [i for i, step in enumerate(steps) if step.chord in own]
    shapes: list[HandShape | None] = [None] * len(steps)
    cost = 0.0
    if at:
        layers = [choices[chord] for i in at if (chord := steps[i].chord) is not None]
        changes = [
            hurry(seconds) * _changes(before, after, weights)
            for before, after, seconds in zip(layers, layers[1:], _times(steps, at), strict=False)
        ]
        seam = hurry(_times(steps, at)[-1]) * _changes(layers[-1], layers[0], weights) if around else None
        taken, cost = _cheapest([own[layer.chord] for layer in layers], changes, seam)
        for i, layer, index in zip(at, layers, taken, strict=True):
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
    at = [i for i, shape in enumerate(shapes) if shape is not None]
    placed = [(chord, shape) for i in at if (shape := shapes[i]) is not None and (chord := steps[i].chord) is not None]
    cost = sum(cost_of(shape, chord, modal=modal, others=chords, weights=weights).total for chord, shape in placed)
    following = [*placed[1:], *(placed[:1] if around else ())]
    for (_, before), (_, after), seconds in zip(placed, following, _times(steps, at), strict=False):
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


def _own(choices: _Choices, company: NDArray[np.int64], modal: bool, weights: Weights) -> NDArray[np.float64]:
    """What each shape costs by itself, in the company of the other chords: a row of root and tones for each."""
    others = company[company[:, 0] != choices.chord.root.number, 1]
    claimed = ((_tones(choices)[:, np.newaxis] & ~others) == 0).any(axis=1)
    own: NDArray[np.float64] = _alone(choices, modal, weights) + weights.ambiguous * claimed
    return own


@lru_cache(maxsize=4096)
def _tones(choices: _Choices) -> NDArray[np.int64]:
    """The tones of each shape as bits; a doubled one as a bit that no chord has, for it makes no other chord likelier."""
    return np.array([_bits(shape.tones) if len(shape.tones) > 1 else 1 << 12 for shape in choices.shapes])


def _bits(numbers: Iterable[int]) -> int:
    return sum(1 << number for number in numbers)


@lru_cache(maxsize=4096)
def _alone(choices: _Choices, modal: bool, weights: Weights) -> NDArray[np.float64]:
    return np.array([cost_of(shape, choices.chord, modal=modal, weights=weights).total for shape in choices.shapes])


@lru_cache(maxsize=16384)
def _changes(before: _Choices, after: _Choices, weights: Weights) -> NDArray[np.float64]:
    """What each change costs with a second to make it; a row for each shape before, a column for each after."""
    return np.array([[change_cost(one, other, weights).total for other in after.shapes] for one in before.shapes])


def _times(steps: Sequence[Step], at: Sequence[int]) -> list[float]:
    """Seconds from each sounding step to the next one: its own, and the silence after it."""
    bounds = [*at, len(steps)]
    return [math.fsum(step.seconds for step in steps[start:end]) for start, end in pairwise(bounds)]


def _cheapest(
    own: Sequence[NDArray[np.float64]], changes: Sequence[NDArray[np.float64]], seam: NDArray[np.float64] | None
) -> tuple[list[int], float]:
    """The index to take in each layer, and the cost of the path.

    Going round, the path is sought from each first shape in turn, all of them at once: a row of ``best`` for each.
    """
    first = own[0]
    best = first[np.newaxis, :] if seam is None else np.where(np.eye(len(first), dtype=bool), first, np.inf)
    came: list[NDArray[np.intp]] = []
    for change, here in zip(changes, own[1:], strict=True):
        through = best[:, :, np.newaxis] + change
        came.append(through.argmin(axis=1))
        best = through.min(axis=1) + here
    if seam is not None:
        best = best + seam.T
    row, index = divmod(int(best.argmin()), best.shape[1])
    taken = [index]
    for back in reversed(came):
        taken.append(int(back[row, taken[-1]]))
    return taken[::-1], float(best.min())
