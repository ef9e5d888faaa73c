"""What a change from one hand shape to the next asks of the left hand.

Each finger that is down before or after stays, lands, lifts, slides along its string, crosses to the next one or jumps; what that
costs stands with all the other weights in :class:`underbow.fiddle.shapes.cost.Weights`.
"""

from __future__ import annotations

from underbow.fiddle.shapes.cost import WEIGHTS, Cost, Weights
from underbow.fiddle.shapes.fingerboard import HandShape


def change_cost(before: HandShape, after: HandShape, weights: Weights = WEIGHTS) -> Cost:
    """What the change from one shape to the next asks of the hand, with a second to make it.

    >>> from underbow.fiddle.shapes.fingerboard import Stop
    >>> from underbow.fiddle.tuning import Tuning
    >>> fiddle = Tuning.parse("GDAE")
    >>> c = HandShape((0, 1), (Stop(5, 3), Stop(2, 1)), fiddle)
    >>> f = HandShape((0, 1), (Stop(5, 3), Stop(3, 2, "L")), fiddle)
    >>> change_cost(c, f).items
    (('finger 1 lifts', 0.1), ('finger 2 lands', 0.3), ('finger 3 stays', 0.0))
    """
    was, now = _places(before), _places(after)
    items: list[tuple[str, float]] = []
    for finger in sorted(was.keys() | now.keys()):
        if finger not in was:
            items.append((f"finger {finger} lands", weights.lands))
        elif finger not in now:
            items.append((f"finger {finger} lifts", weights.lifts))
        else:
            items.append(_travel(finger, was[finger], now[finger], weights, alone=len(was) == len(now) == 1))
    if before.position != after.position and was and now:
        items.append(("the hand moves", weights.moves * abs(before.position - after.position)))
    if before.strings[0] != after.strings[0]:
        items.append(("the bow goes to other strings", weights.bow * abs(before.strings[0] - after.strings[0])))
    return Cost(tuple(items))


def jumping(before: HandShape, after: HandShape) -> tuple[int, ...]:
    """The fingers that must leave their string for another place on another string in a change.

    >>> from underbow.fiddle.shapes.fingerboard import Stop
    >>> from underbow.fiddle.tuning import Tuning
    >>> fiddle = Tuning.parse("GDAE")
    >>> c, d, e7, f = (HandShape((0, 1), (one, other), fiddle) for one, other in (
    ...     (Stop(5, 3), Stop(2, 1)), (Stop(2, 1), Stop(0, 0)), (Stop(1, 1, "L"), Stop(0, 0)), (Stop(5, 3), Stop(3, 2, "L"))))
    >>> jumping(c, e7), crossing(c, d), staying(c, f)
    ((1,), (1,), (3,))
    """
    was, now = _places(before), _places(after)
    return tuple(
        finger
        for finger in sorted(was.keys() & now.keys())
        if not was[finger][1] & now[finger][1] and not _crosses(was[finger], now[finger])
    )


def crossing(before: HandShape, after: HandShape) -> tuple[int, ...]:
    """The fingers that go to the same place on the next string in a change; the example stands with :func:`jumping`."""
    was, now = _places(before), _places(after)
    return tuple(finger for finger in sorted(was.keys() & now.keys()) if _crosses(was[finger], now[finger]))


def staying(before: HandShape, after: HandShape) -> tuple[int, ...]:
    """The fingers that stay where they are in a change; the example stands with :func:`jumping`."""
    was, now = _places(before), _places(after)
    return tuple(
        finger
        for finger in sorted(was.keys() & now.keys())
        if was[finger][0] == now[finger][0] and was[finger][1] & now[finger][1]
    )


def hurry(seconds: float) -> float:
    """How much heavier a change weighs for the time there is to make it: as 1/seconds, from three fifths to double.

    A chord that lasts a second (a bar of a reel at 120 half notes a minute) is the measure. From a second and two
    thirds on more time makes nothing easier, and under half a second every change is hard.

    >>> [hurry(seconds) for seconds in (0.25, 1.0, 1.6, 30.0)]
    [2.0, 1.0, 0.625, 0.6]
    """
    return min(2.0, max(0.6, 1.0 / seconds))


def _places(shape: HandShape) -> dict[int, tuple[int, frozenset[int]]]:
    """Finger -> (semitones above the open string, the strings it stops)."""
    places: dict[int, tuple[int, frozenset[int]]] = {}
    for string, stop in zip(shape.strings, shape.stops, strict=True):
        if stop.finger:
            places[stop.finger] = (stop.semitones, places.get(stop.finger, (0, frozenset()))[1] | {string})
    return places


def _crosses(was: tuple[int, frozenset[int]], now: tuple[int, frozenset[int]]) -> bool:
    """Whether a finger finds its new place by lying flat: as high up, on the next string."""
    return was[0] == now[0] and not was[1] & now[1] and min(abs(a - b) for a in was[1] for b in now[1]) == 1


def _travel(
    finger: int, was: tuple[int, frozenset[int]], now: tuple[int, frozenset[int]], weights: Weights, *, alone: bool
) -> tuple[str, float]:
    if _crosses(was, now) and alone:
        return f"finger {finger}, alone on the strings, hops to the next one", weights.hops
    if _crosses(was, now):
        return f"finger {finger} crosses to the next string", weights.crosses
    if not was[1] & now[1]:
        return f"finger {finger} jumps to another string", weights.jumps
    rolls = weights.rolls if was[1] != now[1] else 0.0
    if was[0] == now[0]:
        how = "" if not rolls else ", lies flat" if len(now[1]) > len(was[1]) else ", tips up"
        return f"finger {finger} stays{how}", rolls
    return f"finger {finger} slides", rolls + weights.slides * abs(was[0] - now[0])
