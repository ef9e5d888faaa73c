"""The path of the left hand through a progression."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from underbow.fiddle.fingerboard import HandShape
from underbow.fiddle.shape_search import PLAIN, Technique, shapes_for
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


@dataclass(frozen=True, slots=True)
class Solution:
    """The shapes chosen, one for each step (None where no chord sounds), what had to be given up, and the cost."""

    shapes: tuple[HandShape | None, ...]
    told: tuple[str, ...] = ()
    cost: float = 0.0


def solve(
    steps: Sequence[Step],
    tuning: Tuning,
    pair: tuple[int, int],
    pinned: Mapping[str, str] | None = None,
    technique: Technique = PLAIN,
    *,
    around: bool = False,
) -> Solution:
    """Choose the shapes of a whole progression together.

    Parameters
    ----------
    steps : sequence of Step
    tuning : Tuning
    pair : tuple of int
        The strings to stay on, as :meth:`Tuning.pair` gives them.
    pinned : mapping of str to str
        Chord symbol -> hand shape that the teacher wants there, such as ``{"G": "0-3"}``.
    technique : Technique
    around : bool
        Whether the progression goes round, so that the change from the last step to the first counts too.

    Raises
    ------
    InputError
        For pins that can't be played, all of them in one go.

    >>> steps = [Step(Chord.parse(symbol), 2.0) for symbol in "CGDA"]
    >>> [shape.label for shape in solve(steps, Tuning.parse("GDAE"), (0, 1)).shapes]
    ['3-1', '0-0', '1-0', '1-1']
    """
    return Solution(tuple(shapes_for(s.chord, tuning, pair, technique)[0] if s.chord else None for s in steps))
