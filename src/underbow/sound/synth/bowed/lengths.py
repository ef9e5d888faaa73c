"""Strokes that differ in nothing but how long they last are worked out once, at a common length, and shortened.

A held tone repeats itself, so a piece of its middle can be left out where what comes before and what comes after go on alike:
the place is sought by correlation, within some milliseconds, and both cross over there. Start, end and what lies between two
notes of a stroke stay as they were worked out.

Conventions: frames; sound in whole numbers below 2**20, so that sums over a window are exact whatever their order.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import replace
from itertools import pairwise

import numpy as np

from underbow.sound.synth.bowed.exact import Whole
from underbow.sound.voice.voices import Action, Floats
from underbow.track.performance import Manner

__all__ = ["common", "cuts", "shortened"]

LENGTHS = (0.15, 0.24, 0.38, 0.6, 0.96, 1.54, 2.5)  # seconds
SHORT, CHOP = 0.1, 0.1  # seconds below which a note is worked out as it is; that a chop is taken to last
_BEFORE = 0.55  # share of a note that stays before the place
_WINDOW, _REACH = 0.010, 0.006  # seconds to each side of what is compared, and in which the place is sought


def common(action: Action, rate: int) -> Action:
    """Give the stroke of a common length, or lengths, from which a stroke is made.

    Examples
    --------
    >>> from underbow.sound.voice.voices import ActionNote
    >>> slur = Action(Manner.BOW, (ActionNote(0, 200, 64), ActionNote(200, 300, 66)))
    >>> [(note.at, note.frames) for note in common(slur, 1000).notes]
    [(0, 240), (240, 380)]
    >>> [note.frames for note in common(Action(Manner.BOW, (ActionNote(0, 9000, 64),)), 1000).notes]
    [2500]
    """
    if action.manner is Manner.CHOP:
        return replace(action, notes=tuple(replace(note, at=0, frames=round(CHOP * rate)) for note in action.notes))
    places = cuts(action)
    moved, at = {places[0]: 0}, 0
    for start, end in pairwise(places):
        at += _common_length(end - start, rate, alone=len(places) == 2)
        moved[end] = at
    notes = (replace(note, at=moved[note.at], frames=moved[note.end] - moved[note.at]) for note in action.notes)
    return replace(action, notes=tuple(notes))


def cuts(action: Action) -> list[int]:
    """Name the frames at which an action's notes start or stop, in order.

    >>> from underbow.sound.voice.voices import ActionNote
    >>> cuts(Action(Manner.BOW, (ActionNote(0, 200, 64), ActionNote(200, 300, 66))))
    [0, 200, 500]
    """
    return sorted({note.at for note in action.notes} | {note.end for note in action.notes})


def shortened(sound: Whole, places: list[int], wanted: list[int], rate: int) -> Whole:
    """Shorten a sound so that what lies at ``places`` comes to lie where it is ``wanted``, or some milliseconds before.

    Never after: the next stroke shall find the string free.

    Parameters
    ----------
    sound : shape (frames,)
    places, wanted : list of int
        As many; the first is 0 in both, and what lies between two grows no longer.
    rate : int
        Frames a second.

    Examples
    --------
    >>> wave = np.rint(1e5 * np.sin(np.arange(6000) / 7)).astype(np.int64)
    >>> short = shortened(wave, [0, 4000], [0, 3000], 10_000)
    >>> abs(len(short) - 5000) <= 60, bool(np.abs(np.diff(short, 2)).max() < 2100)
    (True, True)
    """
    half, reach = int(_WINDOW * rate), int(_REACH * rate)
    pieces, begin, gone = [], 0, 0
    for (start, end), (goal, until) in zip(pairwise(places), pairwise(wanted), strict=True):
        jump = end - until - gone
        if jump <= 0:
            continue
        place = start + max(int(_BEFORE * (until - goal)), half)
        jump, alike = _best(sound, place, jump, half, min(reach, max(end - half - place - jump, 0)))
        pieces += [sound[begin : place - half], _crossed(sound, place, jump, half, alike)]
        begin, gone = place + jump + half, gone + jump
    return np.concatenate((*pieces, sound[begin:]))


def _common_length(frames: int, rate: int, *, alone: bool) -> int:
    if frames < SHORT * rate:
        return frames
    number = bisect_left(LENGTHS, frames / rate)
    if number < len(LENGTHS):
        return max(round(LENGTHS[number] * rate), frames)
    return round(LENGTHS[-1] * rate) if alone else frames


def _best(sound: Whole, place: int, jump: int, half: int, reach: int) -> tuple[int, float]:
    """Find the jump, the wanted one or little more, after which the sound goes on most as it was; and how alike, 0 to 1."""
    here: Floats = sound[place - half : place + half].astype(np.float64)
    first = place + jump
    there: Floats = sound[first - half : first + reach + half].astype(np.float64)
    alike = np.correlate(there, here, "valid")
    power = np.add.accumulate(np.concatenate((np.zeros(1), there * there)))
    power = power[2 * half :] - power[: -2 * half]
    alike /= np.sqrt(np.maximum(power * float((here * here).sum()), 1.0))
    best = int(np.argmax(alike))
    return jump + best, min(max(float(alike[best]), 0.0), 1.0)


def _crossed(sound: Whole, place: int, jump: int, half: int, alike: float) -> Whole:
    """Let the sound around a place go over into what lies further on, as loud all the way."""
    way = (np.arange(2 * half) + 0.5) / (2 * half)
    before, after = sound[place - half : place + half], sound[place + jump - half : place + jump + half]
    power = (1.0 - way) * (1.0 - way) + way * way + 2.0 * alike * way * (1.0 - way)
    return np.asarray(np.rint((before * (1.0 - way) + after * way) / np.sqrt(power)), np.int64)
