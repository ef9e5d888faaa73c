"""Where the track lies in a take: by what sounds together, by when it begins to sound, and by the play-along itself.

First the whole take is laid against the whole track at every shift, by its harmony (chroma) and by its onsets, each as a
normalised cross-correlation over what overlaps; nothing need be complete on either side. (Where that agrees better with all
notes moved by some semitones, another key was played.) Then, where the play-along
leaked into the microphone, it is found to the sample by its phase (Knapp and Carter 1976, "The generalized correlation
method for estimation of time delay": the phase transform) in one stretch after the other, which also tells how the two
clocks run apart. On headphones the strokes alone tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from underbow.ear.expected import ExpectedStroke
from underbow.ear.spectra import RATE, Floats, band_matrix, chroma_matrix, frame_blocks, magnitudes
from underbow.sound.samples import cut

Array = NDArray[np.float64]

_NOVELTY_HOP, _CHROMA_HOP, _CHROMA_WINDOW = 256, 2048, 4096
_LEAST = 5.0  # seconds that must overlap
_SHIFTS = 1 << 15  # weighed at once: all those of an hour would be several arrays of 5 MB
_STRETCH = 12.0  # seconds that are laid against each other by phase
_CANDIDATES = 12  # places looked at
_REACH = 0.12  # seconds by which the first estimate may be off
_NEAR = 0.25  # seconds by which a place that is known beforehand may be off
_LIKELY = 0.5  # of the best place's agreement that there must be where it is known to be
_BY_PHASE = 0.003  # seconds by which a place found by phase is off at most: the sound's way of a metre
_SHARP = 8.0  # how far a peak of the phase correlation stands over the rest, in standard deviations, to count


@dataclass(frozen=True, slots=True)
class Place:
    """Where the track lies.

    Parameters
    ----------
    offset : float
        Second of the take at which the track's first sample lies; negative where the take begins later.
    rate : float
        Seconds of the take for a second of the track: 1, or a little off where the clocks differ.
    sure : float
        0 to 1.
    leak : bool
        Whether the play-along itself was heard in the take.
    key : int
        Semitones, -5 to 6, by which the whole must be moved to agree best with the take: 0 unless another key was played.
    within : float or None
        Seconds, at least 0, by which ``offset`` may be off (in 95 of 100 takes it is off by less); None where it was
        measured by somebody else, or where nothing was judged.
    """

    offset: float
    rate: float
    sure: float
    leak: bool
    key: int = 0
    within: float | None = None

    def in_take(self, track: float) -> float:
        """Second of the take of a second of the track."""
        return self.offset + self.rate * track

    def in_track(self, take: float) -> float:
        """Second of the track of a second of the take."""
        return (take - self.offset) / self.rate


def find_place(
    take: Floats,
    track: Floats,
    strokes: Sequence[ExpectedStroke],
    concert_pitch: float,
    *,
    near: float | None = None,
) -> Place:
    """Find the track in a take.

    Parameters
    ----------
    take, track : float32 arrays
        The recording and the play-along, mono, at :data:`~underbow.ear.spectra.RATE`.
    strokes : sequence of ExpectedStroke
    concert_pitch : float
        Hz of A4.
    near : float or None
        Where it was measured to lie, in seconds, by who recorded it. Taken at its word where the play-along isn't heard, unless
        the take contradicts it.
    """
    views = _Views(take, track, strokes, concert_pitch)
    candidates = _whole(views, near)
    offset, score = candidates[0]
    by_phase = [found for start, _ in candidates if (found := _by_phase(take, track, start)) is not None]
    if by_phase:
        best = max(by_phase, key=lambda found: found[2])
        others = [found[2] for found in by_phase if abs(found[0] - best[0]) > 0.15]
        known = near is not None and abs(best[0] - near) <= _NEAR
        sure = 1.0 if known else _apart(best[2], max(others, default=0.0))
        return Place(best[0], best[1], sure, leak=True, within=_BY_PHASE)
    if near is not None and abs(offset - near) <= _NEAR:
        return Place(near, 1.0, 1.0, leak=False, key=views.key())
    sure = _apart(score, max((other for _, other in candidates[1:]), default=0.0))
    return Place(offset, 1.0, sure, leak=False, key=views.key())


def _apart(best: float, second: float) -> float:
    """How far the best stands over the second best: 1 where the second has three quarters of it or less, 0 where as much."""
    return float(np.clip((best - second) / max(0.25 * best, 1e-9), 0, 1))


# -- the whole take at once


class _Views:
    """A take and a track as their harmony and their onsets show them."""

    def __init__(self, take: Floats, track: Floats, strokes: Sequence[ExpectedStroke], pitch: float) -> None:
        step = _CHROMA_HOP // _NOVELTY_HOP
        least = int(_LEAST * RATE / _NOVELTY_HOP)
        self._heard, self._played = chroma(take, pitch), chroma(track, pitch)
        self._backing = _stroke_chroma(strokes, len(self._played))
        self._least = least // step
        onsets, clicks = novelty(take), novelty(track)
        beats = _stroke_novelty(strokes, len(clicks))
        self._rhythm = _agreement(onsets[:, None], beats[:, None], least)
        self._rhythm += _agreement(onsets[:, None], clicks[:, None], least)
        # shift 0 of both lies at the end of the track
        self.seconds = (np.arange(len(self._rhythm)) - (len(clicks) - 1)) * _NOVELTY_HOP / RATE

    def together(self, key: int = 0) -> Array:
        """How well both agree at each of the shifts :attr:`seconds`, the track moved up by so many semitones."""
        harmony = sum(
            _agreement(self._heard, np.roll(part, key, axis=1), self._least) for part in (self._backing, self._played)
        )
        coarse = (np.arange(len(self._heard) + len(self._played) - 1) - (len(self._played) - 1)) * _CHROMA_HOP / RATE
        return np.asarray(self._rhythm + np.interp(self.seconds, coarse, harmony))

    def key(self) -> int:
        """By how many semitones the track must be moved to agree best."""
        return max(range(-5, 7), key=lambda key: (self.together(key).max(), -abs(key)))


def _whole(views: _Views, near: float | None) -> list[tuple[float, float]]:
    """The likeliest offsets, each with how well both agree there, the best first; a known one alone, if it is likely."""
    together, fine = views.together(), views.seconds
    if near is not None:
        there = np.where(np.abs(fine - near) <= _NEAR, together, 0)
        best = int(np.argmax(there))
        if there[best] >= _LIKELY * together.max() > 0:
            return [(float(fine[best]), float(there[best]))]
    found: list[tuple[float, float]] = []
    for _ in range(_CANDIDATES):
        best = int(np.argmax(together))
        if found and together[best] < 0.75 * found[0][1]:
            break
        found.append((float(fine[best]), float(together[best])))
        together[np.abs(fine - fine[best]) < 0.15] = 0
    return found


def novelty(sound: Floats) -> Floats:
    """How much begins to sound, every 11.6 ms: the rise of the logarithm of each band, evened out over some seconds."""
    frames = len(sound) // _NOVELTY_HOP + 1
    out = np.zeros(frames, np.float32)
    before = None
    for first, count in frame_blocks(frames):
        bands = np.log1p(300 * (magnitudes(sound, first * _NOVELTY_HOP, count, hop=_NOVELTY_HOP) @ band_matrix()))
        rows = np.vstack([bands[:1] if before is None else before, bands])
        out[first : first + count] = np.maximum(np.diff(rows, axis=0), 0).sum(axis=1)
        before = bands[-1:]
    return _evened(out, int(4 * RATE / _NOVELTY_HOP))


def _evened(curve: Floats, width: int) -> Floats:
    """Take away the mean of the neighbourhood and divide by its spread, so that loud passages count no more than soft."""
    kernel = np.hanning(width) / np.hanning(width).sum()
    mean = _smooth(curve, kernel)
    spread = np.sqrt(np.maximum(_smooth((curve - mean) ** 2, kernel), 1e-12))
    return np.asarray(np.clip((curve - mean) / np.maximum(spread, 0.05 * spread.max()), -1, 3), np.float32)


def _smooth(curve: NDArray[np.floating], kernel: Array) -> Array:
    size = 1 << (len(curve) + len(kernel)).bit_length()
    out = np.fft.irfft(np.fft.rfft(curve, size) * np.fft.rfft(kernel, size), size)
    return np.asarray(out[len(kernel) // 2 :][: len(curve)])


def chroma(sound: Floats, pitch: float) -> Floats:
    """How strong each pitch class is, every 93 ms, of mean 0 over the classes; shape (frames, 12)."""
    frames = len(sound) // _CHROMA_HOP + 1
    out = np.zeros((frames, 12), np.float32)
    for first, count in frame_blocks(frames, _CHROMA_WINDOW):
        spectra = magnitudes(sound, first * _CHROMA_HOP, count, hop=_CHROMA_HOP, window=_CHROMA_WINDOW)
        out[first : first + count] = np.sqrt(spectra) @ chroma_matrix(_CHROMA_WINDOW, pitch)
    out /= np.linalg.norm(out, axis=1, keepdims=True) + 0.03 * np.linalg.norm(out, axis=1).max(initial=1e-9)
    return np.asarray(out - out.mean(axis=1, keepdims=True))


def _stroke_chroma(strokes: Sequence[ExpectedStroke], frames: int) -> Floats:
    out = np.zeros((frames, 12), np.float32)
    for stroke in strokes:
        for note in stroke.notes:
            begin, end = (round(second * RATE / _CHROMA_HOP) for second in (note.start, note.end))
            for partial, weight in ((0, 1.0), (7, 0.4), (4, 0.15)):  # the third and fifth partials
                out[begin : max(end, begin + 1), (note.midi + partial) % 12] += weight
    out /= np.linalg.norm(out, axis=1, keepdims=True) + 1e-6
    return np.asarray(out - out.mean(axis=1, keepdims=True))


def _stroke_novelty(strokes: Sequence[ExpectedStroke], frames: int) -> Floats:
    out = np.zeros(frames, np.float32)
    for stroke in strokes:
        out[min(round(stroke.start * RATE / _NOVELTY_HOP), frames - 1)] += 1.0
    kernel = np.hanning(9)
    return _evened(np.convolve(out, kernel, "same").astype(np.float32), int(4 * RATE / _NOVELTY_HOP))


def _agreement(heard: Floats, expected: Floats, least: int) -> Array:
    """Normalised cross-correlation at every shift at which so many frames overlap; 0 elsewhere."""
    count = len(heard) + len(expected) - 1
    size = 1 << count.bit_length()
    total = np.zeros(size // 2 + 1, complex)
    for column in range(heard.shape[1]):
        spectrum = np.fft.rfft(heard[:, column], size)
        spectrum *= np.fft.rfft(expected[::-1, column], size)
        total += spectrum
        del spectrum  # of an hour it is 8 MB: not kept while the next is made
    out = np.fft.irfft(total, size)[:count]
    del total
    powers = [np.concatenate([[0.0], np.cumsum((part.astype(float) ** 2).sum(axis=1))]) for part in (heard, expected)]
    for first in range(0, count, _SHIFTS):
        shift = np.arange(first, min(first + _SHIFTS, count)) - (len(expected) - 1)
        begin, end = np.maximum(shift, 0), np.minimum(shift + len(expected), len(heard))
        energy = (powers[0][end] - powers[0][begin]) * (powers[1][end - shift] - powers[1][begin - shift])
        overlap = end - begin
        # a short overlap agrees by chance more easily
        fair = np.sqrt(overlap / min(len(heard), len(expected))) * (overlap >= least)
        part = out[first : first + _SHIFTS]
        part[:] = part / np.sqrt(np.maximum(energy, 1e-9)) * np.minimum(fair, 1)
    return np.asarray(out)


# -- the play-along by its phase


def _by_phase(take: Floats, track: Floats, first: float) -> tuple[float, float, float] | None:
    """Offset and rate of the leaked play-along near an offset, and how clearly it is heard; None where it isn't."""
    count = int(_STRETCH * RATE)
    reach = int(_REACH * RATE)
    found: list[tuple[float, float, float]] = []
    compared = 0
    for begin in range(0, max(len(take) - count // 2, 1), count):
        frame = begin - round(first * RATE)
        if frame + count < 0 or frame > len(track):
            continue
        here, there = cut(take, begin, begin + count), cut(track, frame, frame + count)
        if np.abs(there).max() < 1e-4 or np.abs(here).max() < 1e-5:
            continue
        compared += 1
        peak = _phase_peak(here, there, reach)
        if peak is not None:
            middle = (frame + count / 2) / RATE
            found.append((middle, first + peak[0] / RATE, peak[1]))
    line = _line(found, compared)
    return None if line is None else (*line, sum(height for *_, height in found) / compared)


def _phase_peak(here: Floats, there: Floats, reach: int) -> tuple[float, float] | None:
    size = 1 << (len(here) + 2 * reach).bit_length()
    window = np.hanning(len(here))
    spectra = np.fft.rfft(here * window, size) * np.conj(np.fft.rfft(there * window, size))
    hertz = np.arange(len(spectra)) * RATE / size
    spectra[(hertz < 300) | (hertz > 7000)] = 0
    curve = np.fft.irfft(spectra / np.maximum(np.abs(spectra), 1e-12), size)
    near = np.concatenate([curve[-reach:], curve[: reach + 1]])
    best = int(np.argmax(near))
    height = (near[best] - near.mean()) / (near.std() + 1e-12)
    if height < _SHARP or not 0 < best < len(near) - 1:
        return None
    low, mid, high = near[best - 1 : best + 2]
    return best - reach + 0.5 * (low - high) / (low - 2 * mid + high - 1e-12), float(height)


def _line(found: list[tuple[float, float, float]], compared: int) -> tuple[float, float] | None:
    """Lay a straight line through most of the points, by the median of their slopes (Theil and Sen), then by the rest."""
    if not found:
        return None
    middles, offsets, heights = (np.array(column) for column in zip(*found, strict=True))
    centre = _weighted_median(offsets, heights)
    near = np.abs(offsets - centre) < 0.02
    if near.sum() < 0.4 * compared:
        return None
    middles, offsets = middles[near], offsets[near]
    slope = 0.0
    if np.ptp(middles) > 20:
        i, j = np.triu_indices(len(middles), 1)
        far = np.abs(middles[j] - middles[i]) > 10
        slope = float(np.median((offsets[j] - offsets[i])[far] / (middles[j] - middles[i])[far]))
        slope = float(np.clip(slope, -300e-6, 300e-6))
    return float(np.median(offsets - slope * middles)), 1.0 + slope


def _weighted_median(values: Array, weights: Array) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])
