"""Loudness of a stream.

Everything is measured while the audio goes by; what is kept is one number for each tenth of a second. The result doesn't
depend on the sizes of the blocks in which the audio comes.

Conventions: audio is float32, shape ``(frames, channels)``, full scale 1; loudness is in LUFS.
Source: ITU-R BS.1770-5 (11/2023), Annex 1: K-weighting, gating and channel weights; momentary (0.4 s) and short-term (3 s)
loudness as in EBU Tech 3341 (v4, 2023).
"""

from __future__ import annotations

from math import inf, log10

import numpy as np
import numpy.typing as npt

from underbow.sound.chunks import Chunks, Tenths
from underbow.sound.mastering.kweight import KFilter

__all__ = ["LoudnessMeter", "decibels", "gated"]

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

_OFFSET = -0.691
_ABSOLUTE_GATE = -70.0
_RELATIVE_GATE = -10.0
_MOMENTARY, _SHORT_TERM = 4, 30  # tenths of a second
_PLAIN, _SURROUND = 3, (1.0, 1.0, 1.0, 1.41, 1.41)  # channels that count as they are, and what each counts


def decibels(ratio: float) -> float:
    """Give an amplitude ratio in dB, minus infinity for 0.

    >>> decibels(10.0)
    20.0
    """
    return 20 * log10(ratio) if ratio > 0 else -inf


def _lufs(power: Doubles) -> Doubles:
    with np.errstate(divide="ignore"):
        return np.asarray(_OFFSET + 10 * np.log10(power))


def _power_of(lufs: float) -> float:
    return float(10 ** ((lufs - _OFFSET) / 10))


def _sliding(tenths: Doubles, length: int) -> Doubles:
    """Give the mean of every run of ``length`` tenths; empty where there are fewer."""
    if len(tenths) < length:
        return np.zeros(0)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(tenths, length).mean(axis=1))


def gated(tenths: Doubles) -> float:
    """Give the integrated loudness from the K-weighted power of each tenth of a second.

    Parameters
    ----------
    tenths : shape (n,)
        Mean squares, summed over the channels with their weights.

    Returns
    -------
    float
        LUFS; minus infinity where nothing passes the gate, or for less than 0.4 s.

    >>> round(gated(np.full(20, 0.01)), 3)
    -20.691
    """
    blocks = _sliding(tenths, _MOMENTARY)
    blocks = blocks[blocks > _power_of(_ABSOLUTE_GATE)]
    if not blocks.size:
        return -inf
    gate = float(_lufs(blocks.mean())) + _RELATIVE_GATE
    return float(_lufs(blocks.mean(where=blocks > _power_of(gate))))


class LoudnessMeter:
    """Measure the integrated loudness of a stream.

    Parameters
    ----------
    rate : int
        Sample rate in hertz, 8000 to 192000.
    channels : int
        One, two, or five in the order left, right, centre, left surround, right surround.

    Raises
    ------
    UnderbowError
        If the rate is out of range.

    Examples
    --------
    A sine of 997 Hz at full scale in one channel reads -3.01 (BS.1770, Annex 1).

    >>> meter = LoudnessMeter(48000, 1)
    >>> meter.add(np.sin(2 * np.pi * 997 / 48000 * np.arange(480000, dtype=np.float64))[:, None].astype(np.float32))
    >>> round(meter.integrated(), 2)
    -3.01
    """

    def __init__(self, rate: int, channels: int) -> None:
        if channels not in (1, 2, 5):
            raise ValueError(f"channels must be 1, 2 or 5, not {channels}")
        self._filter = KFilter(rate, channels)
        self._weights = np.array(_SURROUND[:channels], np.float32)[:, None]
        self._tenths = Tenths(rate)
        self._chunks = Chunks(KFilter.chunk, (channels,))
        self._ended = False

    def add(self, block: Floats) -> None:
        """Measure the next block, shape ``(frames, channels)``. Reading a result ends the stream."""
        if self._ended:
            raise ValueError("this meter was read already: its stream has ended")
        for chunk in self._chunks.add(block):
            self._tenths.add(self._power(self._filter.run(chunk)))

    def _power(self, filtered: Floats) -> Floats:
        np.multiply(filtered, filtered, out=filtered)
        if len(filtered) > _PLAIN:
            filtered *= self._weights
        return np.asarray(np.add.reduce(filtered, axis=0))

    def _end(self) -> None:
        if not self._ended:
            self._ended = True
            rest = self._chunks.rest()
            if self._chunks.filled:
                self._tenths.add(self._power(self._filter.run(rest)[:, : self._chunks.filled]))

    def integrated(self) -> float:
        """Give the gated loudness of the whole stream in LUFS; minus infinity for silence or less than 0.4 s."""
        self._end()
        return gated(self._tenths.means())

    def momentary(self) -> Doubles:
        """Give the loudness of every 0.4 s in LUFS, ten a second."""
        self._end()
        return _lufs(_sliding(self._tenths.means(), _MOMENTARY))

    def short_term(self) -> Doubles:
        """Give the loudness of every 3 s in LUFS, ten a second."""
        self._end()
        return _lufs(_sliding(self._tenths.means(), _SHORT_TERM))
