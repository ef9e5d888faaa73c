"""What a hand shape costs. (First form.)"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from underbow.fiddle.fingerboard import HandShape
from underbow.theory.chord import Chord


@dataclass(frozen=True, slots=True)
class Cost:
    """Points and the reason for each."""

    items: tuple[tuple[str, float], ...]

    @property
    def total(self) -> float:
        """All points together."""
        return sum(points for _, points in self.items)

    @property
    def why(self) -> tuple[str, ...]:
        """The reasons, in words."""
        return tuple(reason for reason, _ in self.items)


def cost_of(shape: HandShape, chord: Chord, *, modal: bool = False, others: Sequence[Chord] = ()) -> Cost:
    """Ease and fitness of a shape for a chord."""
    fingers = {stop.finger for stop in shape.stops if stop.finger}
    items = [(f"finger {finger}", 1.0 + 0.2 * (finger == 3) + (finger == 4)) for finger in sorted(fingers)]
    if len(shape.stops) - shape.fingers.count(0) > len(fingers):
        items.append(("one finger on two strings", 0.5 * max(fingers)))
    if shape.position != 1:
        items.append(("out of first position", 2.0))
    degrees = set(shape.degrees(chord))
    if "1" not in degrees:
        items.append(("without the root", 1.8))
    if len(degrees) == 1:
        items.append(("one tone only", 0.7))
    if not {"3", "b3"} & degrees:
        items.append(("without the third", 0.5))
    return Cost(tuple(items))
