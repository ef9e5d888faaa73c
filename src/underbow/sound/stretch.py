"""A recording played faster and slower along a line, its pitch kept.

Short grains of the recording are laid over each other (waveform similarity overlap-add: W. Verhelst and M. Roelands, "An
overlap-add technique based on waveform similarity for high quality time-scale modification of speech", 1993). Each grain is
taken from within a few milliseconds of where the line has it: where the grain before it goes on, if that lies near enough, for
then nothing is joined at all; else there where it is most like that. So there is no seam where the tempo changes, nor where the
line jumps to another place of the recording, and no error adds up. Joined where it is only nearly alike, a steady note keeps
its strong partials, but what is weak, the ring of the note before it and the room's noise, is scattered.

Conventions: float32, mono; frames of the result are counted from 0, grain ``n`` begins at ``n * hop``.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from underbow.sound.samples import cut

Floats = NDArray[np.float32]

_HOP, _REACH = 0.03, 0.0045  # seconds: between grains; a grain may lie off the line (a period of 220 Hz)
_STRAIGHT = 0.005  # of the similarity: what a grain at the edge of its reach must have more than one on the line


class Stretcher:
    """Grain after grain along a line.

    Parameters
    ----------
    sound : float32 array, shape (frames,)
        The recording; may be a memory map.
    rate : int
        Frames a second, of the recording and of the result.
    place : callable
        For the middle of a grain, in frames of the result, the frame of the recording that sounds there, and its gain; None
        where nothing does.

    Examples
    --------
    >>> rate = 8000
    >>> tone = np.sin(2 * np.pi * 440 * np.arange(rate) / rate).astype(np.float32)
    >>> slow = Stretcher(tone, rate, lambda frame: (frame / 2, 1.0))
    >>> out = np.concatenate([slow.grain() for _ in range(40)])
    >>> spectrum = np.abs(np.fft.rfft(out[800:] * np.hanning(len(out) - 800)))
    >>> round(float(spectrum.argmax()) * rate / (len(out) - 800))
    440
    """

    def __init__(self, sound: Floats, rate: int, place: Callable[[float], tuple[float, float] | None]) -> None:
        self.hop = round(_HOP * rate)
        self._sound, self._place = sound, place
        self._reach = round(_REACH * rate)
        self._window = np.asarray(np.hanning(2 * self.hop + 1)[:-1], np.float32)  # sums to 1 at half its length
        offs = np.arange(-self._reach, self._reach + 1)
        self._bias = 1 - _STRAIGHT * np.abs(offs) / self._reach
        self._number = 0
        self._before: int | None = None  # where the grain before this one began, in the recording
        self._tail = np.zeros(self.hop, np.float32)

    def grain(self) -> Floats:
        """Give the next ``hop`` frames."""
        hop, middle = self.hop, (self._number + 1) * self.hop
        self._number += 1
        found = self._place(float(middle))
        if found is None:
            out, self._tail, self._before = self._tail, np.zeros(hop, np.float32), None
            return out
        target = round(found[0]) - hop  # the grain's first frame
        start = target if self._before is None else self._similar(self._before + hop, target)
        piece = cut(self._sound, start, start + 2 * hop) * self._window * np.float32(found[1])
        out = self._tail + piece[:hop]
        self._tail, self._before = piece[hop:], start
        return out

    def skip(self, grains: int) -> None:
        """Go on by some grains without sounding them."""
        self._number += grains
        self._tail, self._before = np.zeros(self.hop, np.float32), None

    def _similar(self, goes_on: int, target: int) -> int:
        """The place near the target that is most like what would come next."""
        if abs(goes_on - target) <= self._reach:
            return goes_on
        ahead = cut(self._sound, goes_on, goes_on + self.hop)
        here = cut(self._sound, target - self._reach, target + self._reach + self.hop)
        size = 1 << (len(here) - 1).bit_length()
        product = np.fft.irfft(np.fft.rfft(here, size) * np.conj(np.fft.rfft(ahead, size)), size)[: 2 * self._reach + 1]
        power = np.concatenate([[0.0], np.cumsum(here.astype(np.float64) ** 2)])
        energy = power[self.hop :] - power[: len(power) - self.hop]
        like = product / np.sqrt(np.maximum(energy[: len(product)], 1e-12))
        scale = float(np.abs(like).max())
        return target - self._reach + int(np.argmax(like + scale * (self._bias - 1)))
