"""How far each finger is from its pitch, and whether the hand that should sound does sound.

Both notes of a double stop are known, so their partials are too. A partial that no other one comes near is measured on
its own, by the peak of its spectrum; the partials of a note vote on its cents, the clear and the high ones most, since a
cent is more hertz up there. Where all of a note's partials lie on the other's (the upper note of an octave) it can't
be told by anybody, and isn't.

Cents are those of Ellis: 1200 times the base-2 logarithm of a frequency ratio (A. J. Ellis, appendix XX to Helmholtz, "On the
Sensations of Tone", 1885).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log2

import numpy as np
from numpy.typing import NDArray

from underbow.ear.expected import ExpectedNote
from underbow.ear.spectra import RATE, Floats
from underbow.sound.samples import cut

Array = NDArray[np.float64]

_ATTACK, _RELEASE = 0.06, 0.015  # seconds of a note that are not looked at
_SHORTEST, _LONGEST = 0.11, 0.7  # seconds that are
_HIGHEST = 5500.0  # Hz
_PARTIALS = 12
_REACH = 60.0  # cents by which a finger may be off
_STRAY = 25.0  # cents by which the other finger is likely to be off at most
_VIBRATO = 35.0  # cents on either side of its peak that a partial may fill
_SKIRT_DB = 20.0  # below its peak a partial's power no longer counts
_CLEAR_DB = 9.0  # by which a partial must stand over what is around it


@dataclass(frozen=True, slots=True)
class HeardNote:
    """One note of a stroke: how many cents it is sharp (positive) or flat, None where that can't be told."""

    note: ExpectedNote
    cents: float | None


def hertz(midi: float, concert_pitch: float) -> float:
    """Frequency of a MIDI number in twelve-tone equal temperament.

    >>> hertz(69, 440.0), round(hertz(60, 440.0), 2)
    (440.0, 261.63)
    """
    return float(concert_pitch * 2 ** ((midi - 69) / 12))


def cents(frequency: float, reference: float) -> float:
    """Give how many cents a frequency lies above another.

    >>> round(cents(3.0, 2.0), 3)
    701.955
    """
    return 1200 * log2(frequency / reference)


def stroke_cents(
    take: Floats, begin: float, end: float, notes: Sequence[ExpectedNote], concert_pitch: float
) -> list[HeardNote]:
    """Measure the notes that sound together between two seconds of the take.

    Parameters
    ----------
    take : float32 array
    begin, end : float
        When they sound, by what was heard.
    notes : sequence of ExpectedNote
        One or two.
    concert_pitch : float
        Hz of A4.

    Returns
    -------
    list of HeardNote
        One for each note.
    """
    begin, end = begin + _ATTACK, min(end - _RELEASE, begin + _ATTACK + _LONGEST)
    if end - begin < _SHORTEST:
        return [HeardNote(note, None) for note in notes]
    piece = cut(take, round(begin * RATE), round(end * RATE))
    pitches = [hertz(note.midi, concert_pitch) for note in notes]
    spectrum = Spectrum(piece)
    return [HeardNote(note, spectrum.cents(pitch, pitches)) for note, pitch in zip(notes, pitches, strict=True)]


class Spectrum:
    """The spectrum of a stretch of sound, finely spaced."""

    def __init__(self, piece: Floats) -> None:
        size = 1 << (4 * len(piece) - 1).bit_length()
        self._log = 20 * np.log10(np.abs(np.fft.rfft(piece * np.hanning(len(piece)), size)) + 1e-9)
        self._step = RATE / size
        self._lobe = 2.0 * RATE / len(piece)  # half the width of a partial's main lobe, Hz

    def cents(self, pitch: float, together: Sequence[float]) -> float | None:
        """How many cents the note of a pitch is off, given the pitches that sound with it."""
        others = [k * other for other in together if other != pitch for k in range(1, 4 * _PARTIALS)]
        votes = []
        for k in range(1, _PARTIALS + 1):
            partial = k * pitch
            if partial > _HIGHEST:
                break
            room = max(1.2 * self._lobe, partial * (2 ** ((_REACH + _STRAY) / 1200) - 1))
            if all(abs(partial - other) > room for other in others):
                vote = self._peak(partial)
                if vote is not None:
                    votes.append((vote[0], vote[1] * k))
        return _agreed(votes)

    def _peak(self, partial: float) -> tuple[float, float] | None:
        """Cents of the partial near a frequency and how far it stands out (dB)."""
        wide = partial * (2 ** (_REACH / 1200) - 1)
        low, high = int((partial - wide) / self._step), int((partial + wide) / self._step) + 1
        best = low + int(self._log[low : high + 1].argmax())
        if not low < best < high:
            return None
        around = int(3 * self._lobe / self._step)
        floor = float(np.median(self._log[max(best - 2 * around, 0) : best + 2 * around]))
        clear = float(self._log[best]) - floor
        if clear < _CLEAR_DB:
            return None
        return cents(self._centre(best, partial) * self._step, partial), min(clear, 40.0)

    def _centre(self, best: int, partial: float) -> float:
        """Where the power around a peak has its centre of mass: all of it that isn't far below the peak."""
        wide = int(max(self._lobe, partial * (2 ** (_VIBRATO / 1200) - 1)) / self._step) + 1
        begin = max(best - wide, 0)
        levels = self._log[begin : best + wide + 1]
        power = np.where(levels > self._log[best] - _SKIRT_DB, 10 ** (levels / 10), 0)
        return begin + float((power * np.arange(len(power))).sum() / power.sum())


def _agreed(votes: list[tuple[float, float]]) -> float | None:
    """The weighted median, and then the mean of those that agree with it; None where too few do."""
    if not votes:
        return None
    values, weights = np.array(votes).T
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    middle = float(values[order][np.searchsorted(total, total[-1] / 2)])
    near = np.abs(values - middle) < 10
    if weights[near].sum() < 0.6 * weights.sum():
        return None
    return float((values[near] * weights[near]).sum() / weights[near].sum())
