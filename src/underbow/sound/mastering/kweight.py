"""K-weighting at memory speed: the filter of ITU-R BS.1770, one block of samples per matrix row.

The two biquads of BS.1770 are one filter with four numbers of state. Within a block of ``B`` samples its output is a
fixed matrix times the block's input and the state at its start, so that a whole chunk of audio is one matrix product.
The states at the block starts obey the same kind of law one level up, and are found by the same trick twice over.
Nothing is cut short: the infinite response is kept, to rounding.

Conventions: audio is float32, shape ``(frames, channels)``; rates are in hertz.
Source: ITU-R BS.1770-5 (11/2023), Annex 1; the analogue prototype behind its two tables, from which the filter for
any rate follows by the bilinear transform, as published by B. De Man, "Evaluation of Implementations of the EBU R128
Loudness Measurement", AES 145 (2018).
"""

from __future__ import annotations

from math import pi, tan

import numpy as np
import numpy.typing as npt

from underbow.errors import UnderbowError

__all__ = ["KFilter", "k_coefficients", "k_gain_db"]

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

LOWEST_RATE, HIGHEST_RATE = 8_000, 192_000
_BLOCK = 40
_GROUP = 64
# Rows of one matrix product. OpenBLAS, numpy's usual engine, splits larger ones over threads, which costs far more than
# it gains where the machine's cores are busy with other stems.
_ROWS, _HIGH_ROWS = 128, 8

# Prototype of the two stages: corner frequency in hertz, quality, and for the shelf its gain in dB.
_SHELF_HZ, _SHELF_Q, _SHELF_DB = 1681.974450955533, 0.7071752369554196, 3.999843853973347
_CUT_HZ, _CUT_Q = 38.13547087602444, 0.5003270373238773


def k_coefficients(rate: int) -> tuple[tuple[Doubles, Doubles], tuple[Doubles, Doubles]]:
    """Give the two stages of the K-weighting filter, each as its coefficients ``(b, a)``, ``a[0]`` being 1.

    Parameters
    ----------
    rate : int
        Sample rate in hertz, 8000 to 192000.

    Raises
    ------
    UnderbowError
        If the rate is outside that range.

    Examples
    --------
    >>> (b, a), _ = k_coefficients(48000)
    >>> [round(float(v), 6) for v in b]
    [1.535125, -2.691696, 1.198393]
    """
    if not LOWEST_RATE <= rate <= HIGHEST_RATE:
        raise UnderbowError(f"loudness can be measured from {LOWEST_RATE} to {HIGHEST_RATE} Hz, not at {rate} Hz")
    k = tan(pi * _SHELF_HZ / rate)
    high = 10 ** (_SHELF_DB / 20)
    middle = high**0.4996667741545416
    scale = 1 + k / _SHELF_Q + k * k
    shelf_b = np.array([high + middle * k / _SHELF_Q + k * k, 2 * (k * k - high), high - middle * k / _SHELF_Q + k * k])
    shelf_a = np.array([scale, 2 * (k * k - 1), 1 - k / _SHELF_Q + k * k])
    k = tan(pi * _CUT_HZ / rate)
    cut_scale = 1 + k / _CUT_Q + k * k
    cut_a = np.array([cut_scale, 2 * (k * k - 1), 1 - k / _CUT_Q + k * k])
    return (shelf_b / scale, shelf_a / scale), (np.array([1.0, -2.0, 1.0]), cut_a / cut_scale)


def k_gain_db(frequency: float, rate: int = 48_000) -> float:
    """Give the gain of the K-weighting filter in dB at a frequency in hertz.

    >>> round(k_gain_db(997.0), 2)
    0.69
    """
    z = np.exp(-2j * pi * frequency / rate * np.arange(3))
    gain = 1.0
    for b, a in k_coefficients(rate):
        gain *= abs(np.dot(b, z) / np.dot(a, z))
    return float(20 * np.log10(gain))


def _state_space(rate: int) -> tuple[Doubles, Doubles, Doubles, float]:
    """Give the filter as ``s' = A s + b x``, ``y = c s + d x``, in coordinates where |s|² is the energy still to ring.

    In these coordinates a rounding error in the state is an error of the same size in the sound, so single precision
    is enough although the poles lie close to 1.
    """
    stages = []
    for (b, a), hertz in zip(k_coefficients(rate), (_SHELF_HZ, _CUT_HZ), strict=True):
        # States are the newest value and its slope on the scale of the pole: the two old values alone are all but equal.
        width = tan(pi * hertz / rate)
        turn = np.array([[1.0, 0.0], [1 / width, -1 / width]])
        back = np.array([[1.0, 0.0], [1.0, -width]])
        step = turn @ np.array([[-a[1], -a[2]], [1.0, 0.0]]) @ back
        stages.append((step, turn[:, 0], (b[1:] - b[0] * a[1:]) @ back, float(b[0])))
    (a1, b1, c1, d1), (a2, b2, c2, d2) = stages
    matrix = np.block([[a1, np.zeros((2, 2))], [np.outer(b2, c1), a2]])
    into = np.concatenate([b1, b2 * d1])
    out = np.concatenate([d2 * c1, c2])
    # Observability Gramian, the sum of A'ⁱ c c' Aⁱ, by doubling the number of terms.
    gram, power = np.outer(out, out), matrix.copy()
    for _ in range(20):
        gram = gram + power.T @ gram @ power
        power = power @ power
    root = np.linalg.cholesky(gram).T
    inverse = np.linalg.inv(root)
    return root @ matrix @ inverse, root @ into, out @ inverse, d1 * d2


class KFilter:
    """The K-weighting filter for a stream of audio, all channels at once.

    Parameters
    ----------
    rate : int
        Sample rate in hertz, 8000 to 192000.
    channels : int
        At least 1.

    Attributes
    ----------
    chunk : int
        Frames that one call of :meth:`run` takes.
    """

    chunk = _BLOCK * _GROUP * _GROUP

    def __init__(self, rate: int, channels: int) -> None:
        a, b, c, d = _state_space(rate)
        powers = [np.eye(4)]
        for _ in range(_BLOCK):
            powers.append(powers[-1] @ a)
        response = np.array([d] + [float(c @ powers[i] @ b) for i in range(_BLOCK - 1)])
        lag = np.arange(_BLOCK)[None, :] - np.arange(_BLOCK)[:, None]
        within = np.where(lag >= 0, response[np.abs(lag)], 0.0)
        ringing = np.stack([c @ powers[i] for i in range(_BLOCK)], axis=1)
        self._make = np.concatenate([within, ringing]).astype(np.float32)
        self._gather = np.stack([powers[_BLOCK - 1 - i] @ b for i in range(_BLOCK)]).astype(np.float32)
        self._low = tuple(matrix.astype(np.float32) for matrix in _climb(powers[_BLOCK]))
        self._high = _climb(np.linalg.matrix_power(powers[_BLOCK], _GROUP))
        self._state = np.zeros((channels, 4))
        rows = _GROUP * _GROUP
        lots = (channels, rows // _ROWS, _ROWS)
        self._in = np.zeros((*lots, _BLOCK + 4), np.float32)
        self._out = np.zeros((*lots, _BLOCK), np.float32)
        self._kicks = np.zeros((*lots, 4), np.float32)

    def run(self, audio: Floats, out: Floats | None = None) -> Floats:
        """Filter the next :attr:`chunk` frames.

        Parameters
        ----------
        audio : shape (chunk, channels)
        out : shape (channels, chunk), optional
            Where to put the result.

        Returns
        -------
        shape (channels, chunk)
            ``out``, or an array that the next call uses again.
        """
        channels = len(self._state)
        blocks = audio.reshape(*self._out.shape[1:], channels)
        np.copyto(self._in[..., :_BLOCK], np.moveaxis(blocks, -1, 0))
        np.matmul(self._in[..., :_BLOCK], self._gather, out=self._kicks)
        kicks = self._kicks.reshape(channels, -1, _HIGH_ROWS, _GROUP * 4)
        (start1, kick1, end1), (start2, kick2, end2) = self._low, self._high
        # Level 2: the states at the starts of the groups; level 1: of the blocks inside each group.
        group_kicks = (kicks @ end1[4:]).reshape(channels, _GROUP * 4)
        groups = (self._state @ start2 + group_kicks @ kick2).reshape(channels, -1, _HIGH_ROWS, 4)
        states = groups @ start1 + kicks @ kick1
        self._state = self._state @ end2[:4] + group_kicks @ end2[4:]
        self._in[..., _BLOCK:] = states.reshape(*self._kicks.shape)
        filtered = self._out if out is None else out.reshape(self._out.shape)
        np.matmul(self._in, self._make, out=filtered)
        return filtered.reshape(channels, -1)


def _climb(step: Doubles) -> tuple[Doubles, Doubles, Doubles]:
    """Give the matrices that carry a state over ``_GROUP`` steps ``s' = step s + kick``, as maps of row vectors.

    Returns
    -------
    start, kick, end : arrays
        ``start``: first state to the states before each step; ``kick``: all kicks to the same; ``end``: first state
        (its first four rows) and all kicks to the state after the last step.
    """
    powers = [np.eye(4)]
    for _ in range(_GROUP):
        powers.append(powers[-1] @ step)
    start = np.concatenate([powers[i].T for i in range(_GROUP)], axis=1)
    kick = np.zeros((_GROUP * 4, _GROUP * 4))
    for j in range(_GROUP):
        for i in range(j + 1, _GROUP):
            kick[4 * j : 4 * j + 4, 4 * i : 4 * i + 4] = powers[i - 1 - j].T
    end = np.concatenate([powers[_GROUP].T, *(powers[_GROUP - 1 - j].T for j in range(_GROUP))])
    return start, kick, end
