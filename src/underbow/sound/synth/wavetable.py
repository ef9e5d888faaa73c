"""One period of a tone in a table, read at any speed.

Tables hold sines only, up to the highest partial that is wanted, so that nothing is folded back by the table itself; between
two points it is read along the straight line. With 4096 points the error of partial ``n`` is ``(pi n / 4096)**2 / 2`` of
that partial: -71 dB for the 20th, -59 dB for the 40th.
"""

from __future__ import annotations

import numpy as np

from underbow.sound.voice.voices import Floats, Samples

POINTS = 4096


class Table:
    """A period as points and rises to the next point, in single precision.

    Parameters
    ----------
    amplitudes : shape (partials,)
        Of partial 1, 2, 3 ...; all start as sines. Fewer than 2048 of them.
    """

    __slots__ = ("points", "rises")

    def __init__(self, amplitudes: Floats) -> None:
        spectrum = np.zeros(POINTS // 2 + 1, dtype=complex)
        spectrum[1 : len(amplitudes) + 1] = -0.5j * POINTS * amplitudes
        period = np.fft.irfft(spectrum, POINTS)
        self.points: Samples = period.astype(np.float32)
        self.rises: Samples = (np.roll(period, -1) - period).astype(np.float32)


def read(phase: Floats, *tables: Table) -> list[Samples]:
    """Read tables along a phase.

    Parameters
    ----------
    phase : shape (frames,)
        In periods, at least 0.

    Returns
    -------
    list of shape (frames,)
        One for each table.

    Examples
    --------
    >>> (sine,) = read(np.array([0.0, 0.25, 1.5, 2.75]), Table(np.ones(1)))
    >>> sine.round(4).tolist()
    [0.0, 1.0, 0.0, -1.0]
    """
    place = phase * POINTS
    index = place.astype(np.int64)
    part = (place - index).astype(np.float32)
    index &= POINTS - 1
    return [table.points.take(index) + table.rises.take(index) * part for table in tables]


def harmonics(frequency: float, rate: int, ceiling: float = 16_000.0) -> Floats:
    """Give the frequencies of all partials of a tone that lie below the ceiling and 0.45 of the rate.

    >>> harmonics(5000.0, 44_100).tolist()
    [5000.0, 10000.0, 15000.0]
    """
    count = max(int(min(ceiling, 0.45 * rate) / frequency), 1)
    return frequency * np.arange(1, min(count, POINTS // 4) + 1)
