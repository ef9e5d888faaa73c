"""What isn't as written in a recording, bar by bar, and which recordings are no good for a tune."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from underbow.ear.melody.heard import BarHeard
from underbow.ear.melody.onsets import HOP, Placed, Sight
from underbow.ear.melody.route import Route, find_route
from underbow.ear.melody.salience import LOWEST
from underbow.ear.recording import Recording
from underbow.ear.spectra import RATE, WINDOW, Floats, magnitudes
from underbow.errors import InputError
from underbow.theory.key import Key
from underbow.theory.pitch import Pitch
from underbow.tune.tune import Melody

SILENT, CLIPPED = -55.0, 0.004
_STEADY = (
    0.6  # share of the sounding frames on a steady pitch: speech 0.3 to 0.5, fiddles over 0.9 (benchmarks/recording)
)
_SAME = 0.8  # share of the frames whose pitch fits: the tune itself 0.95 and over, another in its key up to 0.76
_SURELY = 0.93  # where the key is another too
_HALF, _MOST = 0.4, 0.8  # share of what sounds that must be the tune
_SHORTEST = 8  # quarters of a tune that must be there
_TWO, _AS_CLEAR = (
    0.18,
    0.8,
)  # share of the frames with a second pitch (one fiddle 0.03 to 0.06, two 0.3 and over); how clear
_DULL_DB = -60.0  # of what lies above 4.3 kHz against the middle: fiddles -25 to -40
_EXTRA = 0.1  # seconds that a note lasts at least which is told as one too many: ornaments are shorter


def refused(
    recording: Recording, clear: Floats, level: Floats, *, route: Route | None = None, melody: Melody | None = None,
    per_minute: float = 100.0,
) -> None:  # fmt: skip
    """Refuse a recording that is no good, or that is of another tune.

    Raises
    ------
    InputError
        One line: what is wrong with it, and what helps.
    """
    if recording.level < SILENT:
        raise InputError("there is next to no sound in the recording; check the microphone, and play nearer to it")
    if recording.clipped > CLIPPED:
        raise InputError("it was recorded too loud and is distorted; turn the input down or stand further away")
    if route is None:
        if steadiness(clear, level) < _STEADY:
            raise InputError(
                "no tune is heard in the recording, only speech or noise; record the fiddle alone, near by"
            )
        return
    played = sum(leg.end - leg.start for leg in route.legs)
    enough = min(_SHORTEST, 0.5 * float(melody.length if melody else 0))
    if route.legs and route.fits >= _SAME and route.covers >= _HALF and played >= enough:
        return
    if melody is not None:
        for shift in (1, -1, 2, -2, 3, -3, 4, -4, 5, -5, 12, -12):
            moved = find_route(np.roll(clear, -shift, axis=1), level, melody, per_minute)
            if moved.legs and moved.fits >= _SURELY and moved.covers >= _MOST:
                steps = "an octave" if abs(shift) == 12 else f"{abs(shift)} semitone{'' if abs(shift) == 1 else 's'}"
                way = "higher" if shift > 0 else "lower"
                raise InputError(
                    f"it is this tune, but {steps} {way}; write the key that is played in the sheet (key = ...)"
                )
    if second_voice(clear, level) > _TWO:
        raise InputError(
            "two instruments or more sound at once, and the tune can't be told from it; record one fiddle alone"
        )
    if route.legs:
        raise InputError(
            f"it isn't this tune: only {100 * route.fits:.0f} of 100 parts of it fit the notes, where the tune itself has over "
            "95; take a recording of this tune, or write down what was played"
        )
    raise InputError("nothing in it fits this tune; take a recording of this tune")


def flaws(sound: Floats, clear: Floats, level: Floats) -> Iterator[str]:
    """Say what is wrong with a sound that can be used all the same."""
    if _dull(sound):
        yield "the recording has nothing above 4 kHz, as over a telephone; it sounds dull: record with the phone itself"
    if second_voice(clear, level) > _TWO:
        yield "more than one instrument is heard in the recording; all of them sound in the melody's place"


def second_voice(clear: Floats, level: Floats) -> float:
    """Share of what sounds in which a second pitch is as clear as the first, no octave, fifth or twelfth of it, 0 to 1."""
    loud = clear[level > np.quantile(level, 0.95) - 25]
    if not len(loud):
        return 0.0
    best = loud.argmax(axis=1)
    apart = np.abs(np.arange(loud.shape[1])[None, :] - best[:, None])
    others = np.where(np.isin(apart, [0, 1, 5, 7, 12, 19, 24]), 0, loud)
    return float((others.max(axis=1) > _AS_CLEAR).mean())


def _dull(sound: Floats) -> bool:
    """Whether all of it lies below 4.2 kHz."""
    count = len(sound) // WINDOW
    step = max(count // 400, 1)
    power = np.zeros(WINDOW // 2 + 1)
    for first in range(0, count, step):
        power += magnitudes(sound, first * WINDOW, 1, window=WINDOW)[0].astype(float) ** 2
    hertz = np.arange(len(power)) * RATE / WINDOW
    middle, high = power[(hertz > 1000) & (hertz < 3500)].mean(), power[(hertz > 4300) & (hertz < 9000)].mean()
    return bool(10 * np.log10(high + 1e-12) < 10 * np.log10(middle + 1e-12) + _DULL_DB)


def steadiness(clear: Floats, level: Floats) -> float:
    """Share of what sounds that stays on one clear pitch for at least 0.14 s."""
    loud = level > np.quantile(level, 0.95) - 25
    best = clear.argmax(axis=1)
    second = np.partition(clear, -2, axis=1)[:, -2]
    good = loud & (second < 0.93)
    same = good[1:] & good[:-1] & (np.diff(best) == 0)
    held = np.zeros(len(best))
    run = 0
    for at, on in enumerate(same.tolist()):
        run = run + 1 if on else 0
        if run >= 3:
            held[at - 2 : at + 2] = 1
    return float(held[loud].mean()) if loud.any() else 0.0


def bar_doubts(
    bars: Sequence[BarHeard], notes: Sequence[Placed], melody: Melody, sight: Sight
) -> Iterator[tuple[str, ...]]:
    """Say of each bar what isn't as written: notes that are another, missing, or more than the tune has."""
    seconds = np.array([one.seconds for one in notes])
    for bar in bars:
        low, high = np.searchsorted(seconds, [bar.start - 0.03, bar.end - 0.03]).tolist()
        yield tuple(_of_bar(notes[low:high], bar.end, sight, melody.bars[bar.index].key))


def _of_bar(notes: Sequence[Placed], end: float, sight: Sight, key: Key) -> Iterator[str]:
    if not notes:  # it rests, or a note is held through it
        return
    missing = others = more = 0
    named = ""
    ends = [*(one.seconds for one in notes[1:]), end]
    for one, until in zip(notes, ends, strict=True):
        pieces = _pieces(sight, one.seconds, until)
        own = sum(length for midi, length in pieces if abs(midi - one.note.midi) in (0, 12))
        strange = [(midi, length) for midi, length in pieces if abs(midi - one.note.midi) not in (0, 12)]
        longest = max(strange, key=lambda piece: piece[1], default=(0, 0.0))
        whole = max(until - one.seconds, 1e-3)
        if own < 0.3 * whole:
            if one.clear < 0.25 or not strange:
                missing += 1
            elif longest[1] > 0.5 * whole:
                others += 1
                named = _instead(key.spell(longest[0]), one.note.pitch)
        elif longest[1] > max(_EXTRA, 0.3 * whole):
            more += 1
    if others:
        yield named if others == 1 else f"{others} other notes than the tune has"
    if missing:
        yield "a note of the tune is missing" if missing == 1 else f"{missing} notes of the tune are missing"
    if more:
        yield "a note more than the tune has" if more == 1 else f"{more} notes more than the tune has"


def _instead(heard: Pitch, written: Pitch) -> str:
    """Say which note is heard in another's place; their octaves only where the names alone don't tell them apart.

    >>> _instead(Pitch.parse("E5"), Pitch.parse("D5")), _instead(Pitch.parse("D6"), Pitch.parse("D4"))
    ('E where the tune has D', 'D6 where the tune has D4')
    """
    if heard.pitch_class == written.pitch_class:
        return f"{heard} where the tune has {written}"
    return f"{heard.pitch_class} where the tune has {written.pitch_class}"


def _pieces(sight: Sight, begin: float, end: float) -> list[tuple[int, float]]:
    """The pitches that are clearest one after the other between two seconds, each with how long it is."""
    low, high = round((begin + 0.02) * RATE / HOP), round((end - 0.015) * RATE / HOP)
    best: NDArray[np.intp] = sight.clear[max(low, 0) : high].argmax(axis=1)
    if not len(best):
        return []
    cuts = [0, *(np.flatnonzero(np.diff(best)) + 1).tolist(), len(best)]
    return [(int(best[a]) + LOWEST, (b - a) * HOP / RATE) for a, b in pairwise(cuts)]
