"""Notes from sound alone: which pitch sounds when, and where a bow begins the same one again.

The likeliest way through all frames is found at once (Viterbi's algorithm, 1967): a change of pitch must be worth its cost,
so that what is shorter than about 30 ms is no note. Where a pitch goes on, a turn of the bow in it begins another note.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from underbow.ear.melody.onsets import HOP, SUNK_AFTER, Sight
from underbow.ear.melody.salience import LOWEST, PITCHES
from underbow.ear.spectra import HOP as FINE
from underbow.ear.spectra import RATE, Floats

__all__ = ["ORNAMENT", "Sounding", "main_notes", "notes_of"]

ORNAMENT = 0.085  # seconds: what is shorter is a grace, a cut or a part of a roll
_CHANGE = 2.0  # cost of another pitch, in frames that don't fit at all
_QUIET_DB, _SILENCE, _SOUND = 30.0, 0.05, 0.8  # below the loud passages; cost of silence where it is so, and where not
_APART = 0.085  # seconds between a turn of the bow and a note's ends
_LEAST_DIP, _ATTACK_DB, _TURN = 2.0, 1.0, 3.7  # dB: how far they sink; what a usual attack counts for; of both
_MOMENT, _BESIDE, _NEAR = 0.023, 0.05, 4  # seconds; seconds on either side of a turn; semitones
_SHORTEST = 0.03  # seconds


@dataclass(frozen=True, slots=True)
class Sounding:
    """A note as it was played: seconds, MIDI number, and how sure it is, 0 to 1."""

    start: float
    end: float
    midi: int
    sure: float


def notes_of(sight: Sight) -> list[Sounding]:
    """Give every note of a recording, ornaments among them, in order.

    Parameters
    ----------
    sight : Sight

    Returns
    -------
    list of Sounding
        Empty where nothing sounds.
    """
    path = _path(sight.clear, sight.level)
    cuts = [0, *(np.flatnonzero(np.diff(path)) + 1).tolist(), len(path)]
    out: list[Sounding] = []
    for low, high in pairwise(cuts):
        place = int(path[low])
        if place == PITCHES or (high - low) * HOP / RATE < _SHORTEST:
            continue
        midi = place + LOWEST
        begin = sight.change(low * HOP / RATE, midi)
        begin = low * HOP / RATE if begin is None or abs(begin - low * HOP / RATE) > 0.03 else begin
        end = high * HOP / RATE
        if out and begin < out[-1].end:
            out[-1] = Sounding(out[-1].start, max(begin, out[-1].start + 0.01), out[-1].midi, out[-1].sure)
        sure = float(np.mean(sight.clear[low:high, place]))
        out.append(Sounding(begin, end, midi, sure))
    usual = _usual_attack(out, sight.attacks)
    return [piece for note in out for piece in _begun_again(note, sight, usual)]


def main_notes(notes: list[Sounding]) -> list[Sounding]:
    """Leave out ornaments: what is too short goes to the note after it, or into the same pitch on both sides of it.

    >>> played = [Sounding(0.0, 0.3, 69, 1.0), Sounding(0.3, 0.35, 71, 1.0), Sounding(0.35, 0.6, 69, 1.0),
    ...           Sounding(0.6, 0.65, 67, 1.0), Sounding(0.65, 0.9, 66, 1.0)]
    >>> [(note.start, note.end, note.midi) for note in main_notes(played)]
    [(0.0, 0.65, 69), (0.65, 0.9, 66)]
    """
    out: list[Sounding] = []
    through = False  # whether an ornament was left out just now
    for note in notes:
        if note.end - note.start < ORNAMENT:
            if out and note.start - out[-1].end < 0.02:
                out[-1] = Sounding(out[-1].start, note.end, out[-1].midi, out[-1].sure)
                through = True
            continue
        if through and out[-1].midi == note.midi and note.start - out[-1].end < 0.02:
            out[-1] = Sounding(out[-1].start, note.end, note.midi, min(out[-1].sure, note.sure))
        else:
            out.append(note)
        through = False
    return out


def _path(clear: Floats, level: Floats) -> NDArray[np.int64]:
    quiet = level < np.quantile(level, 0.95) - _QUIET_DB
    costs = np.column_stack([1 - clear, np.where(quiet, _SILENCE, _SOUND)])
    costs[quiet, :PITCHES] = 0.5 * costs[quiet, :PITCHES] + 0.4
    back = np.zeros(costs.shape, np.int16)
    total = costs[0].copy()
    own = np.arange(PITCHES + 1)
    for frame in range(1, len(costs)):
        best = int(total.argmin())
        stay = total <= total[best] + _CHANGE
        back[frame] = np.where(stay, own, best)
        total = np.where(stay, total, total[best] + _CHANGE) + costs[frame]
    path = np.zeros(len(costs), np.int64)
    path[-1] = int(total.argmin())
    for frame in range(len(costs) - 1, 0, -1):
        path[frame - 1] = back[frame, path[frame]]
    return path


def _usual_attack(notes: list[Sounding], curve: Floats) -> float:
    """How high the curve of attacks goes where notes begin."""
    reach = round(0.02 * RATE / FINE)
    places = [round(note.start * RATE / FINE) for note in notes]
    heights = [float(curve[max(at - reach, 0) : at + reach + 1].max(initial=0.0)) for at in places]
    return float(np.median(heights)) if heights else 1.0


def _begun_again(note: Sounding, sight: Sight, usual: float) -> list[Sounding]:
    """Part a note where it is begun again."""
    begins = [note.start, *_turns(note, sight, usual), note.end]
    return [Sounding(begin, end, note.midi, note.sure) for begin, end in pairwise(begins)]


def _turns(note: Sounding, sight: Sight, usual: float) -> list[float]:
    """Seconds at which the bow turns on a pitch that goes on: its partials sink, and an attack follows."""
    first, count = round(note.start * RATE / FINE), round((note.end - note.start) * RATE / FINE)
    apart = round(_APART * RATE / FINE)
    if count < 2 * apart:
        return []
    dip = sight.sunk(first, count, note.midi)
    out: list[int] = []
    for at in range(apart, count - apart // 2):
        attack = sight.attacks[first + at - 4 : first + at + 17].max(initial=0.0) / max(usual, 1e-6)
        if dip[at] < _LEAST_DIP or dip[at] + _ATTACK_DB * attack < _TURN:
            continue
        if dip[at] == dip[max(at - apart, 0) : at + apart].max() and (not out or at - out[-1] >= apart):
            out.append(at)
    turns = [(first + at) * FINE / RATE - SUNK_AFTER for at in out]
    return [seconds for seconds in turns if not _graced(seconds, note, sight)]


def _graced(seconds: float, note: Sounding, sight: Sight) -> bool:
    """Whether a pitch near by sounds for a moment where a note sinks: that is a cut, or part of a roll, no turn of the bow."""
    first = round(max(seconds - _BESIDE, note.start + _MOMENT) * RATE / HOP)
    end = round(min(seconds + _BESIDE, note.end - _MOMENT) * RATE / HOP)
    own, moment = note.midi - LOWEST, round(_MOMENT * RATE / HOP)
    near = sight.clear[first : end + 1, max(own - _NEAR, 0) : own + _NEAR + 1]
    ahead = np.delete(near, min(own, _NEAR), axis=1) - sight.clear[first : end + 1, own, None]
    if len(ahead) < moment:
        return False
    return bool(np.lib.stride_tricks.sliding_window_view(ahead, moment, axis=0).mean(axis=2).max() > 0)
