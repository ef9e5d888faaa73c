"""The path of the left hand through a progression: the shapes of all its chords chosen together.

Each step has the shapes of its chord as choices, each choice its own cost, and each change from one to the next a cost of
its own, the heavier the less time there is. A chord played in another shape than its usual one pays a price each time.
The path with the smallest sum is found, and, but for progressions of very many chords, proved to be it: see
:mod:`underbow.fiddle.shapes.steady`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from underbow.fiddle.shapes.change import change_cost, hurry
from underbow.fiddle.shapes.choices import change_costs, choices_for, own_costs, pinned_shapes
from underbow.fiddle.shapes.cost import WEIGHTS, Weights, cost_of
from underbow.fiddle.shapes.fingerboard import HandShape
from underbow.fiddle.shapes.remarks import remarks_on
from underbow.fiddle.shapes.search import PLAIN, Technique
from underbow.fiddle.shapes.steady import Layers, steadiest, usual_shapes
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord


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
    """The best path.

    Parameters
    ----------
    shapes : tuple of HandShape or None
        One for each step; None where no chord sounds, or where no shape at all can be played.
    remarks : tuple of str
        What the player should know, a line each: chords on other strings or in two shapes, tones left out, shapes that fit two
        chords.
    cost : float
        Points of all shapes and changes, and of second shapes (see :mod:`underbow.fiddle.shapes.cost`).
    fallbacks : tuple of str
        Those of the remarks that say what is not as it was asked for.
    proved : bool
        Whether no path is cheaper; false only where the search was cut short, in hundreds of steps through dozens of chords.
    """

    shapes: tuple[HandShape | None, ...]
    remarks: tuple[str, ...] = ()
    cost: float = 0.0
    fallbacks: tuple[str, ...] = ()
    proved: bool = True


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
        One of :data:`underbow.fiddle.shapes.cost.HANDS`, or a teacher's own.

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
    pins = pinned_shapes(pinned or {}, chords, tuning, pair, technique)
    choices = {chord: choices_for(chord, pins.get(chord), tuning, pair, technique) for chord in chords}
    number = {chord: i for i, chord in enumerate(chord for chord in chords if choices[chord].shapes)}
    sounding = [i for i, step in enumerate(steps) if step.chord in number]
    shapes: list[HandShape | None] = [None] * len(steps)
    cost, proved = 0.0, True
    if sounding:
        played = [chord for i in sounding if (chord := steps[i].chord) is not None]
        hurries = [hurry(seconds) for seconds in _times(steps, sounding)]
        changes = [
            change_costs(choices[before], choices[after], factor, weights)
            for (before, after), factor in zip(pairwise([*played, *played[:1]]), hurries, strict=True)
        ]
        layers = Layers(
            tuple(number[chord] for chord in played),
            tuple(own_costs(choices[chord], chords, modal=technique.modal, weights=weights) for chord in number),
            tuple(changes[:-1]),
            changes[-1] if around else None,
        )
        taken = steadiest(layers, weights.again)
        cost, proved = taken.cost, taken.proved
        for i, chord, index in zip(sounding, played, taken.shapes, strict=True):
            shapes[i] = choices[chord].shapes[index]
    placed = [(step.chord, shape) for step, shape in zip(steps, shapes, strict=True)]
    remarks, fallbacks = (remarks_on(placed, tuning, pair, fallbacks=only) for only in (False, True))
    return Solution(tuple(shapes), remarks, cost, fallbacks, proved)


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
    return cost + weights.again * second_shapes(steps, shapes)


def second_shapes(steps: Sequence[Step], shapes: Sequence[HandShape | None]) -> int:
    """How many steps are played in another shape than the one their chord has most often."""
    placed = [
        (step.chord, shape)
        for step, shape in zip(steps, shapes, strict=True)
        if step.chord is not None and shape is not None
    ]
    chords = {chord: i for i, chord in enumerate(dict.fromkeys(chord for chord, _ in placed))}
    kinds = {shape: i for i, shape in enumerate(dict.fromkeys(shape for _, shape in placed))}
    played = [(chords[chord], kinds[shape]) for chord, shape in placed]
    usual = usual_shapes([chord for chord, _ in played], [shape for _, shape in played])
    return sum(shape != usual[chord] for chord, shape in played)


def _times(steps: Sequence[Step], sounding: Sequence[int]) -> list[float]:
    """Seconds from each sounding step to the next one: its own, and the silence after it."""
    bounds = [*sounding, len(steps)]
    return [math.fsum(step.seconds for step in steps[start:end]) for start, end in pairwise(bounds)]
