"""The room round the players, as the page puts it round them while they play: what it answers to one sample."""

from __future__ import annotations

from functools import cache

import numpy as np

from underbow.sound.room import SECONDS, in_room

__all__ = ["answer"]


@cache
def answer(rate: int) -> bytes:
    """Give the room's answer to one sample of the sum of both sides, left and then right, as 32-bit little-endian floats.

    >>> sides = np.frombuffer(answer(44_100), "<f4").reshape(2, -1)
    >>> sides.shape, bool(np.abs(sides[:, 0]).max() < 1e-6), round(10 * float(np.log10((sides.sum(axis=0) ** 2).sum())))
    ((2, 13495), True, -13)
    """
    clap = np.zeros(
        (round((SECONDS + 0.006) * rate), 2), np.float32
    )  # a little longer than the room, as it is drawn out
    clap[0, 0] = 1.0
    heard = np.concatenate(list(in_room([clap], rate))) - clap
    return np.ascontiguousarray(heard.T).astype("<f4").tobytes()
