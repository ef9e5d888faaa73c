"""Every hand shape of a chord: which fingers can stop two (or three) of its notes on neighbouring strings.

Nothing is looked up: the notes within reach follow from the tuning, the fingers from the letter that a note has above its
open string, and a shape is kept where no finger would have to be in two places.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product

from underbow.errors import InputError
from underbow.fiddle.shapes.cost import WEIGHTS, Weights, cost_of
from underbow.fiddle.shapes.fingerboard import HIGHEST_POSITION, HandShape, Stop, placements
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord

_PIN = re.compile(r"(?:(½|0\.5|1/2|half|I{1,3}|[123])\s+)?([LHlh]?[0-4](?:\s*[-–]\s*[LHlh]?[0-4]){1,2})", re.IGNORECASE)
_POSITION = {"": None, "½": 0, "0.5": 0, "1/2": 0, "half": 0, "i": 1, "ii": 2, "iii": 3, "1": 1, "2": 2, "3": 3}
_OPEN, _HALF = Stop(0, 0), (Stop(1, 1), Stop(2, 2))  # the fingers that half position is for


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
    chord: Chord,
    tuning: Tuning,
    pair: tuple[int, int],
    technique: Technique = PLAIN,
    *,
    others: Sequence[Chord] = (),
    weights: Weights = WEIGHTS,
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
    weights : Weights

    Returns
    -------
    tuple of HandShape
        By rising cost (see :mod:`underbow.fiddle.shapes.cost`); empty where a string has none of the notes in reach.

    >>> [shape.label for shape in shapes_for(Chord.parse("G"), Tuning.parse("GDAE"), (0, 1))]
    ['0-0', '2-3', '2-0', '4-3', '0-3', '4-0']
    """
    found = playable(chord, tuning, pair, technique)
    cost = {
        shape: cost_of(shape, chord, modal=technique.modal, others=others, weights=weights).total for shape in found
    }
    return tuple(sorted(found, key=lambda shape: (round(cost[shape], 6), len(shape.label), shape.label)))


@lru_cache(maxsize=4096)
def playable(
    chord: Chord, tuning: Tuning, pair: tuple[int, int], technique: Technique = PLAIN
) -> tuple[HandShape, ...]:
    """Every shape of :func:`shapes_for`, in no order of merit."""
    if pair not in ((0, 1), (1, 2), (2, 3)):
        raise ValueError(f"pair must be two neighbouring strings, (0, 1), (1, 2) or (2, 3), not {pair}")
    rows: list[tuple[int, ...]] = [pair]
    if technique.three:  # the pair with the string above it, or below it on the top pair
        rows.append((*pair, pair[1] + 1) if pair[1] < 3 else (pair[0] - 1, *pair))
    found: dict[HandShape, None] = {}
    for strings in rows:
        for position in range(1, technique.position + 1):
            for stops, where in _grips(chord, tuning, strings, position, technique.drones):
                found[HandShape(strings, stops, tuning, where)] = None
    return tuple(found)


def pinned_shape(
    text: str, chord: Chord, tuning: Tuning, pair: tuple[int, int], technique: Technique = PLAIN
) -> HandShape:
    """Read a hand shape that a teacher has written for a chord: fingers, the lower string first.

    A finger may carry ``L`` (low) or ``H`` (high); without a mark it is wherever that finger finds a note of the chord, as on
    charts that know only finger numbers. A position may stand before it: ``III 1-2``, ``½ 1-2``.
    What the teacher pins may go beyond the technique: a higher position, a third string, an open string as a drone.

    Raises
    ------
    InputError
        Where it is no hand shape, or sounds notes that the chord does not have.

    >>> fiddle = Tuning.parse("GDAE")
    >>> pinned_shape("0-3", Chord.parse("G"), fiddle, (0, 1)).label, pinned_shape("1-2", Chord.parse("F"), fiddle, (0, 1)).label
    ('0-3', '1-L2')
    """
    read = _read(text)
    if read is None:
        raise InputError(
            f"hand shape {text!r} for {chord}: write the fingers, lower string first, 0 for open and L or H for low and high, "
            'such as "0-3" or "L2-0"'
        )
    wanted, position = read
    wider = replace(technique, position=max(technique.position, position or 1), three=len(wanted) > 2, drones=True)
    ranked = [shape for shape in shapes_for(chord, tuning, pair, wider) if len(shape.stops) == len(wanted)]
    allowed = {position} if position is not None else {*range(technique.position + 1)}
    for exact in (True, False):
        for shape in sorted(ranked, key=lambda shape: shape.position != 1):
            if shape.position in allowed and _written(shape, wanted, exact):
                return shape
    choices = [shape.label for shape in shapes_for(chord, tuning, pair, technique)]
    cure = f"take {'one of ' * (len(choices) > 1)}{', '.join(choices[:6])}" if choices else "no other is in reach here"
    raise InputError(f"hand shape {text!r} for {chord}: {_why(chord, written_shape(text, tuning, pair))}; {cure}")


def written_shape(text: str, tuning: Tuning, pair: tuple[int, int]) -> HandShape | None:
    """Read a hand shape as it is written, whatever it sounds; in first position where none is named.

    Returns
    -------
    HandShape or None
        None where it is no shape, or these fingers come down nowhere on the pair.

    >>> written_shape("4-2", Tuning.parse("AEAE"), (0, 1)).midi
    (64, 68)
    """
    wanted, position = _read(text) or ([], None)
    found = [(_OPEN, *_HALF)] if position == 0 else placements(position or 1).values()
    where = {str(stop): stop for stops in found for stop in stops}
    if len(wanted) != len(pair) or not all(word in where for word in wanted):
        return None
    return HandShape(pair, tuple(where[word] for word in wanted), tuning, 1 if position is None else position)


def _read(text: str) -> tuple[list[str], int | None] | None:
    """Part a written shape into its fingers and its position, None where none is named or all strings are open."""
    match = _PIN.fullmatch(text.strip())
    if not match:
        return None
    wanted = [word.strip().upper() for word in re.split(r"[-–]", match[2])]
    return wanted, _POSITION[(match[1] or "").lower()] if any(word != "0" for word in wanted) else None


def _written(shape: HandShape, wanted: Sequence[str], exact: bool) -> bool:
    if exact:
        return [str(stop) for stop in shape.stops] == list(wanted)
    return all(word in (str(stop), str(stop.finger)) for word, stop in zip(wanted, shape.stops, strict=True))


def _why(chord: Chord, shape: HandShape | None) -> str:
    """Say which notes a refused hand shape would sound."""
    if shape is None:
        return "these fingers can't stop its notes here"
    notes = [note for note in shape.spelled(chord) if note.pitch_class.number not in chord.numbers]
    if not notes:
        return "one finger would have to be in two places"
    names = " and ".join(str(note.pitch_class) for note in notes)
    tones = ", ".join(map(str, chord.tones))
    return f"it sounds {names}, and {chord} is {tones}"


def _grips(
    chord: Chord, tuning: Tuning, strings: tuple[int, ...], position: int, drones: bool
) -> Iterator[tuple[tuple[Stop, ...], int]]:
    """Fingers for every way to sound the chord on these strings, and the position they are in."""
    reach = placements(position)
    on_string = [
        [semitones for semitones in reach if (tuning.midi[string] + semitones) % 12 in chord.numbers]
        for string in strings
    ]
    if drones:
        on_string = [[*(0,) * (0 not in choices), *choices] for choices in on_string]
    for semitones in product(*on_string):
        if drones and not any(
            (tuning.midi[s] + n) % 12 in chord.numbers for s, n in zip(strings, semitones, strict=True)
        ):
            continue
        for stops in product(*(reach[number] for number in semitones)):
            if _possible(stops):
                yield stops, position if any(semitones) else 1
        if position == 1 and len(strings) == 2:
            if sorted(semitones) == [1, 2]:  # first finger wanted twice: the hand goes back to half position
                yield tuple(_HALF[number - 1] for number in semitones), 0
            if sorted(semitones) == [3, 4]:  # second finger wanted twice: the third comes back to it
                yield tuple(Stop(3, 2, "L") if number == 3 else Stop(4, 3, "L") for number in semitones), 1


def _possible(stops: tuple[Stop, ...]) -> bool:
    """No finger in two places, a higher finger always higher up, and no finger flat over a string that another stops."""
    down = [stop for stop in stops if stop.finger]
    return all(
        (stop.semitones == other.semitones) == (stop.finger == other.finger)
        and (stop.semitones < other.semitones) == (stop.finger < other.finger)
        for stop in down
        for other in down
    ) and not (len(stops) == 3 and stops[0] == stops[2] != stops[1] and stops[0].finger > stops[1].finger)
