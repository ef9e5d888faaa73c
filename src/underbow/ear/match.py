"""Whether what was played is this piece, at this pitch.

Each stroke's spectrum is asked how well the partials of a hand fit it: for its own hand, moved up and down by cents and
semitones, and for the piece's other hands. A take of the piece agrees with its own hands, unmoved; a fiddle tuned flat, or
another key, agrees when all are moved by the same amount; another piece agrees with none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from underbow.ear.expected import ExpectedStroke
from underbow.ear.pitch import hertz
from underbow.ear.place import Place
from underbow.ear.spectra import RATE, Floats
from underbow.sound.samples import cut

Array = NDArray[np.float64]

_MOST = 240  # strokes looked at, evenly over the take
_PARTIALS = 6
_STEPS = np.arange(-700, 701, 10)  # cents
_SIZE = 8192


@dataclass(frozen=True, slots=True)
class Match:
    """How well a take agrees with the piece.

    Parameters
    ----------
    shift : int
        Cents by which everything fits best.
    own : float
        Share of the strokes in which their own hand fits better than the piece's other hands.
    fits : float
        dB by which the partials of the hands, moved by ``shift``, stand over what is around them, in the middle of the strokes.
    """

    shift: int
    own: float
    fits: float


def match(take: Floats, place: Place, strokes: Sequence[ExpectedStroke], late: Sequence[float], pitch: float) -> Match:
    """Hold a take against the piece's hands.

    Parameters
    ----------
    take : float32 array
    place : Place
    strokes : sequence of ExpectedStroke
        Those within the take.
    late : sequence of float
        Seconds by which the player was late around each.
    pitch : float
        Hz of A4.
    """
    usable = [
        i for i, stroke in enumerate(strokes) if not stroke.chop and stroke.notes and stroke.end - stroke.start > 0.12
    ]
    # one note alone belongs to several hands, and says little of which it is
    usable = [i for i in usable if len(strokes[i].hand) > 1] or usable
    chosen = usable[:: max(len(usable) // _MOST, 1)]
    hands = list(dict.fromkeys(strokes[i].hand for i in chosen))
    if not chosen:
        return Match(0, 1.0, 0.0)
    combs = np.stack([_comb(hand, pitch) for hand in hands])  # hands, steps, partials
    curves, own = [], []
    for i in chosen:
        stroke = strokes[i]
        begin = place.in_take(stroke.start + late[i] + 0.05)
        end = place.in_take(min([stroke.end, *(note.end for note in stroke.notes)]) + late[i])
        raised = _raised(cut(take, round(begin * RATE), round(max(end, begin + 0.06) * RATE)))
        fits = raised[combs].mean(axis=2)  # hands, steps
        curves.append(fits[hands.index(stroke.hand)])
        own.append(fits)
    total = np.median(np.array(curves), axis=0)
    best = int(total.argmax())
    at_best = np.array(own)[:, :, best]
    mine = np.array([hands.index(strokes[i].hand) for i in chosen])
    right = at_best[np.arange(len(mine)), mine] >= at_best.max(axis=1) - 0.5
    return Match(int(_STEPS[best]), float(right.mean()), float(total[best]))


def _comb(hand: Sequence[tuple[int, int]], pitch: float) -> NDArray[np.int64]:
    partials = sorted({round(k * hertz(midi, pitch), 1) for _, midi in hand for k in range(1, _PARTIALS + 1)})[
        : 2 * _PARTIALS
    ]
    partials = (partials * 12)[: 2 * _PARTIALS]  # shared ones count again, so that all hands have as many
    places = np.array(partials)[None, :] * 2 ** (_STEPS[:, None] / 1200) * _SIZE / RATE
    return np.rint(places).astype(np.int64)


def _raised(piece: Floats) -> Array:
    """The spectrum in dB over the median of its neighbourhood."""
    power = np.abs(np.fft.rfft(piece * np.hanning(len(piece)), _SIZE)) ** 2
    log = 10 * np.log10(power + 1e-12)
    width = 61
    padded = np.pad(log, width // 2, mode="edge")
    around = np.median(np.lib.stride_tricks.sliding_window_view(padded, width)[::8], axis=1)
    return np.asarray(np.maximum(log - np.repeat(around, 8)[: len(log)], 0))
