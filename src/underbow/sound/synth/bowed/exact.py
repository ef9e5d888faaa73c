"""Arithmetic that comes out the same to the last bit on every machine.

IEEE 754 fixes the result of ``+ - * /`` and of the square root; it doesn't fix sines and powers, nor the order in which a
matrix product or a Fourier transform adds up. So the fiddle is computed by the former alone, one array operation at a time,
and its sound in whole numbers. A convolution goes by Fourier transform all the same: with whole numbers in, the right result is a
whole number, the transform's own error stays far below one half, and rounding takes it away.

Conventions: angles are in turns, 1.0 being 360 degrees.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from underbow.sound.voice.voices import Floats

Whole = NDArray[np.int64]

# 2 ** (k / 12) for k = 0 to 11, written out.
_SEMITONES = (
    1.0, 1.0594630943592953, 1.122462048309373, 1.189207115002721, 1.2599210498948732, 1.3348398541700344,
    1.4142135623730951, 1.4983070768766815, 1.5874010519681994, 1.681792830507429, 1.7817974362806785, 1.8877486253633868,
)  # fmt: skip
_QUARTER_DB = 1.029200527194429  # 10 ** (0.25 / 20)
# sin(2 pi x) for x from -1/4 to 1/4 in odd powers of x, by Taylor's series; what is left out is below 1e-9.
_SINE = (
    6.283185307179586, -41.341702240399755, 81.60524927607504, -76.70585975306136, 42.058693944897634, -15.094642576822984,
    3.8199525848482803,
)  # fmt: skip


def hertz(midi: int, concert_pitch: float) -> float:
    """Give a key's frequency in equal temperament.

    >>> hertz(69, 440.0), hertz(57, 440.0), round(hertz(76, 440.0), 3)
    (440.0, 220.0, 659.255)
    """
    octave, step = divmod(midi - 69, 12)
    return concert_pitch * _SEMITONES[step] * 2.0**octave


def ratio(level: float) -> float:
    """Give the amplitude ratio of a level in dB, to the nearest quarter of one.

    >>> round(ratio(-6.0), 3), ratio(0.0), round(ratio(20.0), 3)
    (0.501, 1.0, 10.0)
    """
    out, quarters = 1.0, round(4 * level)
    for _ in range(abs(quarters)):
        out *= _QUARTER_DB
    return out if quarters >= 0 else 1.0 / out


def sine(turns: Floats) -> Floats:
    """Give the sine of some turns.

    >>> sine(np.array([0.0, 0.125, 0.25, 1.75])).round(6).tolist()
    [0.0, 0.707107, 1.0, -1.0]
    """
    x = turns - np.floor(turns + 0.5)
    x = np.where(x > 0.25, 0.5 - x, np.where(x < -0.25, -0.5 - x, x))
    square, out = x * x, np.full(x.shape, _SINE[-1])
    for factor in _SINE[-2::-1]:
        out = out * square + factor
    return np.asarray(out * x)


def eased(times: Floats, start: float, end: float) -> Floats:
    """Give 0 before one time, 1 after another, and a smooth way between.

    >>> eased(np.array([0.0, 1.0, 1.5, 2.0, 3.0]), 1.0, 2.0).tolist()
    [0.0, 0.0, 0.5, 1.0, 1.0]
    """
    x = np.clip((times - start) / (end - start), 0.0, 1.0)
    return np.asarray(x * x * (3.0 - 2.0 * x))


def noise(count: int, seed: int) -> Floats:
    """Give white noise, evenly spread from -1 to 1, by mixing the bits of a count (Steele, Lea and Flood 2014).

    >>> loop = noise(100_000, 1)
    >>> abs(float(loop.mean())) < 0.01, round(float((loop**2).mean()), 2), bool(np.array_equal(loop[:9], noise(9, 1)))
    (True, 0.33, True)
    """
    bits = np.arange(1, count + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(seed * 0x632BE5AB)
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        bits = (bits ^ (bits >> np.uint64(shift))) * np.uint64(factor)
    bits ^= bits >> np.uint64(31)
    return (bits >> np.uint64(11)).astype(np.float64) * 2.0**-52 - 1.0


class Convolver:
    """A fixed response, and its samples, in whole numbers, at some times the rate at which the result is wanted.

    Parameters
    ----------
    response : shape (taps,)
        The sum of their sizes times the largest sample must stay below 2**48.
    every : int
        Of how many samples one is kept.

    Examples
    --------
    >>> thin = Convolver(np.array([1, 2, 3, 4, 5]), every=2)
    >>> thin(np.array([10, 0, 0, 100, 0]))[:5].tolist()
    [10, 30, 250, 400, 0]
    """

    BLOCK = 1 << 14

    def __init__(self, response: Whole, every: int) -> None:
        self.every = every
        self.taps = -(-len(response) // every)
        whole = np.zeros(self.taps * every)
        whole[: len(response)] = response
        self._phases = [np.fft.rfft(whole[phase::every], self.BLOCK) for phase in range(every)]

    def __call__(self, samples: Whole) -> Whole:
        """Give what is heard: shape (samples / every + taps + 1,), rounded up."""
        # y[n] = sum over k of h[k] x[every * n - k]: taps of a phase meet samples of the opposite one.
        every, count = self.every, -(-len(samples) // self.every) + 1
        whole = np.zeros(count * every)
        whole[every - 1 : every - 1 + len(samples)] = samples
        lanes = [whole[every - 1 - phase :: every][:count] for phase in range(every)]
        heard = np.zeros(count + self.taps, np.int64)
        hop = self.BLOCK - self.taps
        for start in range(0, count, hop):
            product = sum(
                np.fft.rfft(lane[start : start + hop], self.BLOCK) * phase
                for lane, phase in zip(lanes, self._phases, strict=True)
            )
            room = heard[start : start + self.BLOCK]
            room += np.rint(np.fft.irfft(product, self.BLOCK)[: len(room)]).astype(np.int64)
        return heard
