"""Human feel: hands that are a few milliseconds early or late and a shade louder or softer, the same way every time."""

from __future__ import annotations

import random
from array import array

from underbow.track.gestures import Gestures


def humanise(gestures: Gestures, seed: str, milliseconds: float, decibels: float) -> Gestures:
    """Move gestures a little in time and level.

    The same seed and number of gestures give the same feel. A grace keeps to the note that it belongs to. No level
    rises above full.

    Parameters
    ----------
    gestures : Gestures
    seed : str
    milliseconds, decibels : float
        The most that anything is moved, at least 0.

    >>> from fractions import Fraction
    >>> from underbow.track.performance import Gesture, Manner, Sounded
    >>> strokes = [Gesture(Manner.BOW, (Sounded(Fraction(i), Fraction(1), 62, -6.0),), "d") for i in range(100)]
    >>> felt = humanise(Gestures(strokes), "1 melody", 8.0, 1.5)
    >>> max(abs(stroke.offset) for stroke in felt) <= 0.008, max(abs(stroke.top + 6) for stroke in felt) <= 1.5
    (True, True)
    """
    if not (milliseconds or decibels):
        return gestures
    chance = random.Random(seed)  # noqa: S311  music, not secrets
    offsets, levels = array("i"), array("i")
    fresh = True
    offset = level = 0
    for ornament in gestures.ornaments():
        if fresh:
            offset = round(chance.uniform(-milliseconds, milliseconds) * 1000)
            level = round(chance.uniform(-decibels, decibels) * 1000)
        fresh = not ornament
        offsets.append(offset)
        levels.append(level)
    return gestures.with_feel(offsets, levels)
