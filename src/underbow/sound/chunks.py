"""Cut a stream of audio evenly, however it comes, so that no result depends on the sizes of the blocks.

Conventions: audio is float32, shape ``(frames, channels)`` as it comes, ``(channels, frames)`` once it is filtered.
"""

from __future__ import annotations

from array import array
from typing import TypeVar

import numpy as np
import numpy.typing as npt

__all__ = ["Chunks", "Tenths"]

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Number = TypeVar("Number", int, npt.NDArray[np.int64])


class Chunks:
    """Cut a stream of blocks of any sizes into chunks of one size.

    A chunk given by :meth:`add` may be a view of the caller's block: use it before the next one.

    >>> chunks = Chunks(4, ())
    >>> [[chunk.tolist() for chunk in chunks.add(block)] for block in np.split(np.arange(10, dtype=np.float32), [3])]
    [[], [[0.0, 1.0, 2.0, 3.0], [4.0, 5.0, 6.0, 7.0]]]
    >>> chunks.filled, chunks.rest().tolist()
    (2, [8.0, 9.0, 0.0, 0.0])
    """

    def __init__(self, size: int, shape: tuple[int, ...]) -> None:
        self._held = np.zeros((size, *shape), np.float32)
        self.filled = 0

    def add(self, block: Floats) -> list[Floats]:
        """Take a block; give the chunks that are whole now."""
        size, taken, whole = len(self._held), 0, []
        if self.filled:
            taken = min(size - self.filled, len(block))
            self._held[self.filled : self.filled + taken] = block[:taken]
            self.filled += taken
            if self.filled < size:
                return []
            whole.append(self._held.copy() if len(block) - taken else self._held)
            self.filled = 0
        while len(block) - taken >= size:
            whole.append(block[taken : taken + size])
            taken += size
        if taken < len(block):
            self.filled = len(block) - taken
            self._held[: self.filled] = block[taken:]
        return whole

    def rest(self) -> Floats:
        """Give the frames still held, filled up with silence."""
        rest = self._held.copy()
        rest[self.filled :] = 0
        return rest


class Tenths:
    """Sums over tenths of a second, at rates that don't divide by ten as well; four bytes a tenth are kept.

    >>> tenths = Tenths(25)  # edges at 0, 3, 5 and 8 frames
    >>> tenths.add(np.array([3, 3, 3, 1], np.float32))
    >>> tenths.add(np.array([3, 6, 6, 6, 9], np.float32))
    >>> tenths.means().tolist()
    [3.0, 2.0, 6.0]
    """

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._frames = 0
        self._open = 0.0
        self._sums = array("f")

    def _edge(self, number: Number) -> Number:
        return (number * self._rate + 5) // 10

    def add(self, power: Floats) -> None:
        """Add the power of the next frames, shape ``(frames,)`` and not empty, to the tenths they belong to."""
        length, number = len(power), len(self._sums) + 1
        edges = [0]
        while (edge := self._edge(number) - self._frames) < length:
            edges.append(edge)
            number += 1
        sums: list[float] = np.add.reduceat(power, edges).tolist()
        sums[0] += self._open
        self._open = 0.0 if edge == length else sums.pop()
        self._sums.extend(sums)
        self._frames += length

    def means(self) -> Doubles:
        """Give the mean power of each whole tenth."""
        means = np.array(self._sums, np.float64)
        means /= np.diff(self._edge(np.arange(len(means) + 1)))
        return means
