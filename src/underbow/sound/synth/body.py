"""The wooden box: what string forces turn into on the way to the ear.

A body is a few signature modes that every instrument of its kind has, and above them so many that only their statistics
matter: drawn from a seed, they make one instrument differ from another of its kind.

Sources: the violin's signature modes A0 near 275 Hz, CBR near 400, B1- near 460, B1+ near 550 from euphonics.org, 5.3 (one
violin: 272, 407, 462, 551 Hz), the bridge hill at 2 to 3 kHz from Woodhouse, On the bridge hill of the violin, Acta Acustica
91 (2005); from memory, the guitar's air mode near 100 Hz and top-plate mode near 200 Hz: Fletcher and Rossing, The Physics of
Musical Instruments.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from underbow.sound.synth.ringing import ringing
from underbow.sound.voice.voices import Floats, Samples

_GRID = 1 << 15  # points of the finely drawn response
_LONGEST = 1 << 15  # frames transformed in one go


@dataclass(frozen=True)
class Design:
    """A kind of body.

    Parameters
    ----------
    modes : tuple of (Hz, Q, dB)
        The signature modes, with the gain at their peak.
    curve : tuple of (Hz, dB)
        The mean gain of the many modes above; the first point says where they begin.
    spacing : float
        Hz between them, on average.
    quality : float
        Their Q.
    floor : float
        Hz below which the box hardly radiates.
    direct : float
        Share of the force that is heard without the box.
    seconds : float
        Length of the response.
    """

    modes: tuple[tuple[float, float, float], ...]
    curve: tuple[tuple[float, float], ...]
    spacing: float
    quality: float
    floor: float
    direct: float = 0.05
    seconds: float = 0.09


VIOLIN = Design(
    modes=((275, 14, -3), (400, 30, -8), (460, 30, 2), (550, 32, 3), (700, 30, -2)),
    curve=(
        (780, -4),
        (1000, 0),
        (1150, 0),
        (1500, -4),
        (2000, -1),
        (2500, 2),
        (3000, 0),
        (4000, -6),
        (6000, -13),
        (9000, -21),
        (13000, -32),
    ),
    spacing=62.0,
    quality=28.0,
    floor=190.0,
)
GUITAR = Design(
    modes=((102, 14, 2), (205, 22, 2), (390, 28, -3), (510, 28, -4)),
    curve=((600, -4), (900, -4), (1500, -7), (2500, -8), (4000, -13), (8000, -25)),
    spacing=70.0,
    quality=24.0,
    floor=70.0,
    direct=0.15,
)
MANDOLIN = Design(
    modes=((205, 12, -3), (410, 22, 0), (600, 26, 1)),
    curve=((750, -3), (1100, -1), (2000, -2), (3500, -4), (6000, -14), (9000, -24)),
    spacing=85.0,
    quality=22.0,
    floor=160.0,
    direct=0.2,
)
BANJO = Design(  # a stretched head: little below 200 Hz, a broad hump about 500 to 1,000 Hz
    modes=((260, 8, -2), (480, 9, 2), (760, 9, 3)),
    curve=((900, 1), (1500, 0), (2500, -3), (4500, -8), (9000, -20)),
    spacing=110.0,
    quality=12.0,
    floor=180.0,
    direct=0.2,
)

PIANO = Design(  # a soundboard: even, but for its lowest octave
    modes=((95, 10, -4), (150, 12, -2), (230, 14, -1)),
    curve=((300, -1), (1000, -1), (2500, -4), (5000, -12), (9000, -24)),
    spacing=60.0,
    quality=14.0,
    floor=70.0,
    direct=0.5,
)


class Body:
    """One instrument's body at one rate.

    Parameters
    ----------
    design : Design
    seed : int
        Which instrument of the kind.
    rate : int
    """

    def __init__(self, design: Design, seed: int, rate: int) -> None:
        frames = int(design.seconds * rate)
        rng = np.random.default_rng(seed)
        low, high = design.curve[0][0], min(design.curve[-1][0], 0.42 * rate)
        # Spacing and Q are those of the middle; higher up modes lie further apart and overlap.
        steps = rng.uniform(0.5, 1.5, 400) * design.spacing * np.linspace(0.8, 2.4, 400)
        many = low + np.cumsum(steps)
        many = many[many < high]
        gains = np.interp(many, *np.array(design.curve).T) + rng.normal(0.0, 3.0, len(many))
        signature = np.array(design.modes)
        frequencies = np.concatenate([signature[:, 0] * rng.uniform(0.98, 1.02, len(signature)), many])
        quality = np.concatenate([signature[:, 1], design.quality * rng.uniform(0.7, 1.3, len(many))])
        peaks = 10.0 ** (np.concatenate([signature[:, 2], gains]) / 20)
        signs = np.concatenate(
            [np.where(np.arange(len(signature)) % 2, 0.0, np.pi), rng.uniform(0, 2 * np.pi, len(many))]
        )
        response = ringing(
            frequencies,
            quality / (np.pi * frequencies),
            peaks * 2 * np.pi * frequencies / (quality * rate),
            signs,
            frames=frames,
            rate=rate,
        )
        response[0] += design.direct
        response *= 0.5 + 0.5 * np.cos(np.linspace(0.0, np.pi, frames) ** 3 / np.pi**2)
        spectrum = np.fft.rfft(response, _GRID * 2)
        grid = np.fft.rfftfreq(_GRID * 2, 1.0 / rate)
        with np.errstate(divide="ignore"):
            spectrum /= np.sqrt(1.0 + (design.floor / grid) ** 8)
        response = np.fft.irfft(spectrum)[:frames]
        self.rate = rate
        self.tail = frames
        self._response = response.astype(np.float32)
        self._grid, self._gain = grid, np.abs(np.fft.rfft(response, _GRID * 2))
        self._at: Callable[[int], NDArray[np.complex64]] = lru_cache(maxsize=32)(self._transformed)

    def gain(self, frequencies: Floats) -> Floats:
        """Give the gain (linear) at some frequencies in Hz."""
        return np.interp(frequencies, self._grid, self._gain)

    def through(self, force: Samples) -> Samples:
        """Send a string force through the body: shape (frames,) in, (frames + tail,) out."""
        heard = np.zeros(len(force) + self.tail, dtype=np.float32)
        hop = _LONGEST - self.tail
        for start in range(0, len(force), hop):
            block = force[start : start + hop]
            size = _comfortable(len(block) + self.tail)
            product = np.fft.rfft(block, size) * self._at(size)
            heard[start : start + len(block) + self.tail] += np.fft.irfft(product, size)[: len(block) + self.tail]
        return heard

    def _transformed(self, size: int) -> NDArray[np.complex64]:
        return np.fft.rfft(self._response, size).astype(np.complex64)


def _comfortable(frames: int) -> int:
    """Give a length that is quickly transformed, at least so many frames.

    >>> [_comfortable(n) for n in (3000, 5000, 9000)]
    [3072, 5120, 10240]
    """
    size = 1 << max(frames - 1, 1).bit_length()
    return next((size * part // 8 for part in (5, 6) if size * part // 8 >= frames), size)
