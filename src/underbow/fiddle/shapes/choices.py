"""What each chord of a progression may be played in, and what each choice and each change costs, worked out once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from underbow.errors import Fault, InputError
from underbow.fiddle.shapes.change import change_cost
from underbow.fiddle.shapes.cost import Weights, cost_of, has_second
from underbow.fiddle.shapes.fingerboard import HandShape
from underbow.fiddle.shapes.search import Technique, pinned_shape, playable
from underbow.fiddle.shapes.steady import Matrix, Row
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord

PAIRS = ((0, 1), (1, 2), (2, 3))


@dataclass(frozen=True, slots=True)
class Choices:
    """The shapes that a chord may take; the key stands for them, so that equal ones are weighed once."""

    key: tuple[object, ...]
    shapes: tuple[HandShape, ...] = field(compare=False)
    chord: Chord = field(compare=False)


def choices_for(
    chord: Chord, pin: HandShape | None, tuning: Tuning, pair: tuple[int, int], technique: Technique
) -> Choices:
    """The shapes of a chord on its pair, without those that sound a second; on the nearest other pair where it has none there.

    What is pinned is the only choice. Where no pair has two of the chord's notes a third apart or more, one note is doubled.
    """
    if pin is not None:
        return Choices((pin,), (pin,), chord)
    nearest = sorted(PAIRS, key=lambda other: abs(other[0] - pair[0]))
    found = {strings: playable(chord, tuning, strings, technique) for strings in nearest}
    clean = {strings: tuple(s for s in shapes if not has_second(s)) for strings, shapes in found.items()}
    strings = next((strings for strings in nearest if any(len(s.tones) > 1 for s in clean[strings])), pair)
    return Choices(
        (chord.root.number, chord.quality, strings, tuning.midi, technique), clean[strings] or found[strings], chord
    )


def pinned_shapes(
    pinned: Mapping[str, str], chords: Sequence[Chord], tuning: Tuning, pair: tuple[int, int], technique: Technique
) -> dict[Chord, HandShape]:
    """Read the teacher's pins for the chords they are meant for.

    Raises
    ------
    InputError
        For pins that can't be read or played, all of them in one go.
    """
    faults: list[Fault] = []
    pins: dict[Chord, HandShape] = {}
    for symbol, text in pinned.items():
        try:
            chord = Chord.parse(symbol)
        except ValueError as error:
            faults.append(Fault(str(error), where=f"shapes, {symbol}"))
            continue
        try:
            shape = pinned_shape(text, chord, tuning, pair, technique)
        except InputError as error:
            faults += [Fault(fault.what, where=f"shapes, {symbol}") for fault in error.faults]
            continue
        plain = Chord(chord.root, chord.quality)
        for meant in chords:  # "G" is meant for G/B as well, unless that is pinned itself
            if meant == chord or (chord == plain and meant not in pins and Chord(meant.root, meant.quality) == plain):
                pins[meant] = shape
    if faults:
        raise InputError(*faults)
    return pins


def own_costs(choices: Choices, others: Sequence[Chord], *, modal: bool, weights: Weights) -> Row:
    """What each shape costs by itself, in the company of the progression's other chords."""
    claims = {_bits(chord.numbers) for chord in others if chord.root.number != choices.chord.root.number}
    return tuple(
        cost + weights.ambiguous * any(not tones & ~claim for claim in claims)
        for cost, tones in zip(_alone(choices, modal, weights), _tones(choices), strict=True)
    )


@lru_cache(maxsize=16384)
def change_costs(before: Choices, after: Choices, hurried: float, weights: Weights) -> Matrix:
    """What each change costs, made so much heavier by hurry; a row for each shape after, a column for each before."""
    return tuple(tuple(hurried * cost for cost in row) for row in _unhurried(before, after, weights))


@lru_cache(maxsize=16384)
def _unhurried(before: Choices, after: Choices, weights: Weights) -> Matrix:
    """What each change costs with a second to make it."""
    return tuple(tuple(change_cost(old, new, weights).total for old in before.shapes) for new in after.shapes)


@lru_cache(maxsize=4096)
def _tones(choices: Choices) -> tuple[int, ...]:
    """The tones of each shape as bits; a doubled one as a bit that no chord has, for it makes no other chord likelier."""
    return tuple(_bits(shape.tones) if len(shape.tones) > 1 else 1 << 12 for shape in choices.shapes)


def _bits(numbers: Iterable[int]) -> int:
    return sum(1 << number for number in numbers)


@lru_cache(maxsize=4096)
def _alone(choices: Choices, modal: bool, weights: Weights) -> Row:
    return tuple(cost_of(shape, choices.chord, modal=modal, weights=weights).total for shape in choices.shapes)
