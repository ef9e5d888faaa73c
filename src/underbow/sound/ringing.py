"""Sums of damped sinusoids: what everything struck or plucked is made of, made by one matrix product.

A partial is ``c * z**n`` with a complex ``z`` inside the unit circle. Writing ``n = row * width + column`` turns the sum
over all partials into ``(rows x partials) @ (partials x width)``, so that no sine is computed for a sample.
"""

from __future__ import annotations

import math

import numpy as np

from underbow.sound.voices import Floats


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
    inner = np.exp(np.outer(step, np.arange(width)))
    outer = np.exp(np.outer(np.arange(rows) * float(width), step)) * start
    summed = outer.real @ inner.real - outer.imag @ inner.imag
    return np.asarray(summed.reshape(-1)[:frames])
