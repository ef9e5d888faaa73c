"""Every hand shape of a chord: which fingers can stop two (or three) of its notes on neighbouring strings.

Nothing is looked up: the notes within reach follow from the tuning, the fingers from the letter that a note has above its
open string, and a shape is kept where no finger would have to be in two places.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

from underbow.errors import InputError
from underbow.fiddle.fingerboard import HIGHEST_POSITION, HandShape, Stop, placements
from underbow.fiddle.shape_cost import cost_of
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord


@dataclass(frozen=True, slots=True)
class Technique:
    """What the player's left hand may be asked to do.

    Parameters
    ----------
    position : int
        The highest position used, 1 to 3.
    three : bool
        Whether shapes over three strings are among the choices.
    drones : bool
        Whether an open string may ring along though its note is not in the chord.
    modal : bool
        Whether the tune is modal, so that the third is better left out.
    """

    position: int = 1
    three: bool = False
    drones: bool = False
    modal: bool = False

    def __post_init__(self) -> None:
        if not 1 <= self.position <= HIGHEST_POSITION:
            raise InputError(f"position must be from 1 to {HIGHEST_POSITION}, not {self.position}; write 1, 2 or 3")


PLAIN = Technique()


def shapes_for(
    chord: Chord, tuning: Tuning, pair: tuple[int, int], technique: Technique = PLAIN, *, others: Sequence[Chord] = ()
) -> tuple[HandShape, ...]:
    """Every playable shape of a chord on a pair of strings, the best first.

    Parameters
    ----------
    chord : Chord
    tuning : Tuning
    pair : tuple of int
        Two neighbouring strings, 0 the lowest, as :meth:`Tuning.pair` gives them.
    technique : Technique
    others : sequence of Chord
        The other chords of the progression; a shape that one of them would claim as well costs more.

    Returns
    -------
    tuple of HandShape
        By rising cost (see :mod:`underbow.fiddle.shape_cost`); empty where no string has two of the notes in reach.

    >>> [shape.label for shape in shapes_for(Chord.parse("G"), Tuning.parse("GDAE"), (0, 1))][:3]
    ['0-0', '2-3', '0-3']
    """
    shapes = _enumerated(chord, tuning, pair, technique)
    return tuple(
        sorted(
            shapes,
            key=lambda shape: (
                round(cost_of(shape, chord, modal=technique.modal, others=others).total, 6),
                shape.label,
            ),
        )
    )


@lru_cache(maxsize=4096)
def _enumerated(chord: Chord, tuning: Tuning, pair: tuple[int, int], technique: Technique) -> tuple[HandShape, ...]:
    found: dict[HandShape, None] = {}
    rows = [pair]
    for strings in rows:
        for position in range(1, technique.position + 1):
            for stops, where in _grips(chord, tuning, strings, position, technique.drones):
                found[HandShape(strings, stops, tuning, where)] = None
    return tuple(found)


def _grips(
    chord: Chord, tuning: Tuning, strings: tuple[int, ...], position: int, drones: bool
) -> Iterator[tuple[tuple[Stop, ...], int]]:
    reach = placements(position)
    on_string = [
        [semitones for semitones in reach if (tuning.midi[string] + semitones) % 12 in chord.numbers]
        for string in strings
    ]
    for semitones in product(*on_string):
        for stops in product(*(reach[number] for number in semitones)):
            if _possible(stops):
                yield stops, position if any(semitones) else 1
        if position == 1:
            if sorted(semitones) == [1, 2]:  # first finger wanted twice: the hand goes back to half position
                yield tuple(Stop(number, number) for number in semitones), 0
            if sorted(semitones) == [3, 4]:  # second finger wanted twice: the third comes back to it
                yield tuple(Stop(3, 2, "L") if number == 3 else Stop(4, 3, "L") for number in semitones), 1


def _possible(stops: tuple[Stop, ...]) -> bool:
    """No finger in two places, and a higher finger always higher up."""
    down = [stop for stop in stops if stop.finger]
    return all(
        (one.semitones == other.semitones) == (one.finger == other.finger)
        and (one.semitones < other.semitones) == (one.finger < other.finger)
        for one in down
        for other in down
    )
