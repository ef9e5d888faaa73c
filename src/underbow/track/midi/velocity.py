"""The one place where dB become a key velocity."""

from __future__ import annotations

import math

__all__ = ["velocity"]


def velocity(level: float) -> int:
    """Give the velocity, 1 to 127, that SoundFont 2.04's default curve turns into a level in dB: 40 log10(127 / velocity) down.

    >>> [velocity(level) for level in (0.0, -2.0, -12.0, -100.0)]
    [127, 113, 64, 1]
    """
    return min(max(math.floor(127.0 * math.pow(10.0, level / 40.0) + 0.5), 1), 127)
