"""Human feel: hands that are a few milliseconds early or late and a shade louder or softer, the same way every time."""

from __future__ import annotations

import random
from dataclasses import replace

from underbow.track.performance import Part

FEEL_MS, FEEL_DB = 4.0, 0.4  # how far it goes, either way, where a sheet doesn't say


def humanised(part: Part, seed: int, milliseconds: float, decibels: float) -> Part:
    """Move a part's gestures a little in time and level.

    The same seed, part name and number of gestures give the same feel. A grace keeps to the note that it belongs to. No level
    rises above full.

    Parameters
    ----------
    part : Part
    seed : int
    milliseconds, decibels : float
        The most that anything is moved, at least 0.
    """
    if not (milliseconds or decibels):
        return part
    chance = random.Random(f"{seed} {part.name}")  # noqa: S311  music, not secrets
    gestures = []
    fresh = True
    offset = level = 0.0
    for gesture in part.gestures:
        if fresh:
            offset = round(chance.uniform(-milliseconds, milliseconds) / 1000.0, 6)
            level = round(chance.uniform(-decibels, decibels), 3)
        fresh = not gesture.ornament
        notes = tuple(replace(note, level=min(note.level + level, 0.0)) for note in gesture.notes)
        gestures.append(replace(gesture, notes=notes, offset=offset))
    return Part(part.name, part.program, tuple(gestures))
