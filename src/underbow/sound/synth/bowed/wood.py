"""The fiddle's box: what the force on the bridge turns into on the way to the ear.

A few signature modes that every fiddle has, and above them so many that only their mean and their spacing matter: drawn from a
number, they make one fiddle differ from another.

Sources: signature modes A0 near 275 Hz, CBR near 400, B1- and B1+ near 460 and 540, their Q of 15 to 35 and the fall below A0
from Bissinger, Structural acoustics of good and bad violins, JASA 124 (2008); spacing and overlap of the many, and the fall
above the bridge hill, from Woodhouse, The acoustics of the violin: a review, Rep. Prog. Phys. 77 (2014), both from memory; the
bridge hill near 2.5 kHz from Woodhouse, On the bridge hill of the violin, Acta Acustica 91 (2005). The mean curve was set
within what these papers show so that a held note's spectrum lies by that of recorded violin notes (see benchmarks/sound).
"""

from __future__ import annotations

import numpy as np

from underbow.sound.synth.bowed.exact import Whole, noise, sine
from underbow.sound.voice.voices import Floats

# Hz, Q, dB at the peak.
SIGNATURE = ((275.0, 12.0, 2.0), (400.0, 16.0, 0.0), (465.0, 26.0, 5.0), (545.0, 28.0, 7.0), (700.0, 22.0, 3.0))
# Hz and dB of the mean of the many modes; the first point says where they begin.
CURVE = (
    (780.0, 4.0), (1000.0, 2.0), (1200.0, 1.0), (1600.0, -3.0), (2000.0, 0.0), (2600.0, -1.0), (3400.0, -1.0),
    (4500.0, -3.0), (6000.0, -5.0), (9000.0, -10.0), (14000.0, -20.0),
)  # fmt: skip
SPACING, QUALITY, SPREAD = 62.0, 28.0, 4.0  # Hz between the many, where they begin; their Q; dB by which they differ
FLOOR, POLES = 200.0, 3  # Hz below which the box hardly radiates
DIRECT = 0.03  # share of the force that is heard without the box
SECONDS = 0.07
_LARGEST = 1 << 14  # tap
_SHARP = 47  # taps of the filter before frames are dropped, at twice the rate


def response(rate: int, inner: int, number: int) -> Whole:
    """Give what is heard of a single tap on the bridge, as whole numbers.

    Parameters
    ----------
    rate, inner : int
        Frames a second, of what is heard and of the force; the one divides the other.
    number : int
        Which fiddle.

    Returns
    -------
    shape (taps,)
        At ``inner`` frames a second, with nothing that can't be heard at ``rate``.
    """
    count = int(SECONDS * inner)
    time = np.arange(count) / inner
    heard: Floats = np.zeros(count)
    for frequency, quality, peak, phase in _modes(0.45 * rate, number):
        width = np.pi * frequency / quality
        # The fall of one frame, by Pade's approximation to the exponential; then frame after frame.
        fall = np.full(count, (1 - 0.5 * width / inner) / (1 + 0.5 * width / inner))
        fall[0] = 1.0
        heard += (2 * peak * width / inner) * np.multiply.accumulate(fall) * sine(time * frequency + phase)
    heard[0] += DIRECT
    heard = _without_lows(heard, inner)
    if inner > rate:
        heard = _blended(heard, _sharp(_SHARP * inner // (2 * rate) | 1, 0.45 * rate / inner))
    way = np.arange(len(heard)) / len(heard)
    heard *= 1.0 - way**3 * (10 - 15 * way + 6 * way * way)
    return np.asarray(np.rint(heard / np.abs(heard).max() * _LARGEST), np.int64)


def _modes(ceiling: float, number: int) -> list[tuple[float, float, float, float]]:
    """Draw a fiddle's modes: Hz, Q, linear gain at the peak, phase in turns."""
    draws = iter(noise(4096, number))
    modes = [
        (frequency * (1 + 0.02 * next(draws)), quality, _linear(peak), 0.5 * (index % 2))
        for index, (frequency, quality, peak) in enumerate(SIGNATURE)
    ]
    frequency = CURVE[0][0]
    places, heights = (list(column) for column in zip(*CURVE, strict=True))
    while True:
        frequency += SPACING * (0.8 + (frequency - CURVE[0][0]) / 7500) * (1 + 0.5 * next(draws))
        if frequency > min(CURVE[-1][0], ceiling):
            return modes
        peak = float(np.interp(frequency, places, heights)) + SPREAD * next(draws)
        modes.append((frequency, QUALITY * (1 + 0.3 * next(draws)), _linear(peak), next(draws)))


def _linear(decibels: float) -> float:
    """Give an amplitude ratio from dB by a series: 10 ** (dB / 20) is e to the dB's 0.1151."""
    x, out, term = 0.11512925464970229 * decibels, 1.0, 1.0
    for order in range(1, 30):
        term *= x / order
        out += term
    return out


def _without_lows(taps: Floats, inner: int) -> Floats:
    """Take away what lies below the lowest mode, by first-order high-passes."""
    keep = 1 / (1 + 2 * np.pi * FLOOR / inner)
    for _ in range(POLES):
        out, last, before = [], 0.0, 0.0
        for tap in taps.tolist():
            last = keep * (last + tap - before)
            before = tap
            out.append(last)
        taps = np.array(out)
    return taps


def _sharp(taps: int, edge: float) -> Floats:
    """Give a low-pass: a sine over its argument under Blackman's window; the edge in turns a frame."""
    place = np.arange(taps) - (taps - 1) / 2
    away = np.where(place == 0, 1.0, place)
    wave = np.where(place == 0, 2 * edge, sine(edge * place) / (np.pi * away))
    way = np.arange(taps) / (taps - 1)
    window = 0.42 - 0.5 * sine(way + 0.25) + 0.08 * sine(2 * way + 0.25)
    return np.asarray(wave * window / np.add.accumulate(wave * window)[-1])


def _blended(taps: Floats, with_: Floats) -> Floats:
    """Convolve in the order of the taps."""
    out = np.zeros(len(taps) + len(with_) - 1)
    for first, weight in enumerate(with_.tolist()):
        out[first : first + len(taps)] += weight * taps
    return out
