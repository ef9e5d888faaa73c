"""Sums of damped sinusoids: what everything struck or plucked is made of, made by one matrix product.

A partial is ``c * z**n`` with a complex ``z`` inside the unit circle. Writing ``n = row * width + column`` turns the sum
over all partials into ``(rows x partials) @ (partials x width)``, so that no sine is computed for a sample.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from underbow.sound.voice.voices import Floats

# Multiplications in one product. OpenBLAS shares a product between threads from 4 * 65536 on, and then waits for them longer than
# it works; our own threads are busy with other gestures.
SMALL = 200_000


def ringing(
    frequencies: Floats, decays: Floats, amplitudes: Floats, phases: Floats, *, frames: int, rate: int
) -> Floats:
    """Give the sum of ``a * exp(-t / decay) * sin(2 pi f t + phase)``.

    Parameters
    ----------
    frequencies : shape (partials,)
        Hz, below half the rate.
    decays : shape (partials,)
        Seconds to fall to 1/e, above 0.
    amplitudes, phases : shape (partials,)
        Linear; radians at the first sample.
    frames, rate : int

    Returns
    -------
    shape (frames,)

    Examples
    --------
    >>> one = np.ones(1)
    >>> ringing(1000.0 * one, 0.001 * one, one, 0.5 * np.pi * one, frames=9, rate=4000).round(3).tolist()
    [1.0, 0.0, -0.607, -0.0, 0.368, 0.0, -0.223, -0.0, 0.135]
    """
    if frames <= 0:
        return np.zeros(0)
    width = math.isqrt(frames - 1) + 1
    rows = -(-frames // width)
    step = (2j * np.pi * frequencies - 1.0 / decays) / rate
    start = amplitudes * np.exp(1j * (phases - 0.5 * np.pi))  # the real part of exp(i(x - pi/2)) is sin(x)
    inner = _powers(np.exp(step), np.ones(len(step)), width)
    outer = _powers(np.exp(step * width), start, rows)
    left, right = np.concatenate((outer.real, -outer.imag)), np.concatenate((inner.real, inner.imag))
    return multiplied(left.T, right).reshape(-1)[:frames]


def multiplied(left: NDArray[Any], right: NDArray[Any]) -> NDArray[Any]:
    """Give a matrix product, made on one core whatever its size.

    >>> multiplied(np.ones((2, 3)), np.full((3, 1), 2.0)).tolist()
    [[6.0], [6.0]]
    """
    product = np.empty((left.shape[0], right.shape[1]), dtype=left.dtype)
    some = max(SMALL // right.size, 1)
    for row in range(0, len(left), some):
        np.matmul(left[row : row + some], right, out=product[row : row + some])
    return product


def _powers(base: NDArray[np.complex128], first: NDArray[Any], count: int) -> NDArray[np.complex128]:
    """Give ``first * base**n``, shape (partials, count), by multiplying on."""
    factors = np.empty((len(base), count), dtype=complex)
    factors[:, 0], factors[:, 1:] = first, base[:, None]
    return np.multiply.accumulate(factors, axis=1)
