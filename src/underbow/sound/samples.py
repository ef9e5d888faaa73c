"""Samples by their places: the one thing that everything which works on sound needs first."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["cut"]

Floats = NDArray[np.float32]


def cut(sound: Floats, begin: int, end: int) -> Floats:
    """Cut out a stretch that may reach over the ends: what is missing is silence. What lies inside is not copied.

    >>> cut(np.arange(3, dtype=np.float32), -1, 5).tolist()
    [0.0, 0.0, 1.0, 2.0, 0.0, 0.0]
    >>> cut(np.arange(3, dtype=np.float32), 2, 2).tolist()
    []
    """
    low, high = max(begin, 0), min(end, len(sound))
    if low == begin and high == end:
        return np.asarray(sound[low:high])
    out = np.zeros(max(end - begin, 0), np.float32)
    if low < high:
        out[low - begin : high - begin] = sound[low:high]
    return out
