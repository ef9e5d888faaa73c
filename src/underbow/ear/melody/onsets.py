"""When each note of a leg was begun: the likeliest way through all of them at once, near where the route has them.

For every note the evidence is what begins to sound (a new stroke) and how the pitch before gives way to its own (a finger set
within a stroke). A path through all notes then weighs how clear that is against how evenly people play.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from underbow.ear.melody.route import Leg
from underbow.ear.melody.salience import LOWEST, PITCHES, clearness, salience
from underbow.ear.pitch import hertz
from underbow.ear.place import Place
from underbow.ear.spectra import HOP as FINE
from underbow.ear.spectra import RATE, Floats, magnitudes
from underbow.ear.strokes import cheapest, onset_curve
from underbow.sound.samples import cut
from underbow.tune.tune import MelodyNote

Array = NDArray[np.float64]

HOP, WINDOW = 128, 1024  # 5.8 ms, 46 ms
REACH = 0.12  # seconds round the route that are looked at
_GRID = np.arange(-round(REACH * RATE / HOP), round(REACH * RATE / HOP) + 1)
_EVEN = 0.04  # seconds: how far neighbouring notes stray from each other (standard deviation)
_STRAY = 0.08  # seconds: how far the route is off
_BEFORE = 0.07  # seconds on either side of a change of pitch that are held against each other
_NEAR = 24  # frames of 2.9 ms round a change of pitch that are looked at closely
_LATE = (
    0.0035  # seconds after which the new pitch is the clearer one: measured on simulated takes (benchmarks/recording)
)
_SHORT = 512  # samples, 23 ms
_SIDES = (0.02, 0.045)  # seconds on either side of a turn of the bow that are held against it
_HEARD_DB = 25.0  # below the strongest partial
SUNK_AFTER = 0.0025  # seconds from the beginning of a stroke to where the partials are lowest: measured likewise
_NEAR_TURN = 0.025  # seconds in which a pitch that takes over between two notes of its own is believed
_NO_TURN, _PLAIN_TURN = 2.0, 4.5  # dB by which they sink, an attack counted as one, where none is, and at a plain one
_BESIDE, _RISE_DB = 0.045, 15.0  # seconds on either side of a beginning, and how much louder it gets where it was quiet
_SOON = 0.007  # seconds by which an attack out of the quiet is seen too soon: measured likewise
_AT = Place(0.0, 1.0, 1.0, leak=False)


@dataclass(frozen=True, slots=True)
class Sight:
    """What the notes of a recording are looked for in.

    Parameters
    ----------
    clear : float32 array, shape (frames, PITCHES)
        Every :data:`HOP` samples.
    level : float32 array, shape (frames,)
        dB.
    begun : float32 array, shape (frames,)
        How much begins to sound.
    attacks : float32 array
        The same every :data:`~underbow.ear.spectra.HOP` samples.
    sound : float32 array
    concert_pitch : float
    """

    clear: Floats
    level: Floats
    begun: Floats
    attacks: Floats
    sound: Floats
    concert_pitch: float

    @classmethod
    def of(cls, sound: Floats, concert_pitch: float) -> Sight:
        """Look at a recording."""
        clear, level = salience(sound, HOP, WINDOW, concert_pitch)
        curve = onset_curve(sound, None, _AT, len(sound) // FINE + 1)
        pairs = np.append(curve, np.zeros(-len(curve) % 2, np.float32)).reshape(-1, HOP // FINE)
        return cls(clear, level, pairs.max(axis=1)[: len(clear)], curve, sound, concert_pitch)

    def change(self, seconds: float, midi: int) -> float | None:
        """When, near a second, a pitch becomes the clearest of all."""
        middle = round(seconds * RATE)
        spectra = magnitudes(self.sound, middle - _NEAR * FINE, 2 * _NEAR + 1, window=WINDOW)
        clear = clearness(spectra, self.concert_pitch)
        others = clear.copy()
        others[:, [at for by in (-19, -12, 0, 12, 19) if 0 <= (at := _column(midi) + by) < PITCHES]] = 0
        ahead = clear[:, _column(midi)] - others.max(axis=1)
        crossed = np.flatnonzero((ahead[:-1] < 0) & (ahead[1:] >= 0))
        if not len(crossed):
            return None
        at = int(crossed[np.abs(crossed - _NEAR).argmin()])
        exact = at + float(ahead[at] / (ahead[at] - ahead[at + 1]))
        return (middle + (exact - _NEAR) * FINE) / RATE - _LATE

    def sunk(self, first: int, count: int, midi: int) -> Floats:
        """How far the partials of a pitch have sunk for a moment, as where the bow turns on it: dB, at so many fine frames.

        It is what most of them have sunk by: in a room single ones do without a turn, and with vibrato all do, but slowly.
        """
        near, far = (round(seconds * RATE / FINE) for seconds in _SIDES)
        spectra = magnitudes(self.sound, (first - far) * FINE, count + 2 * far, window=_SHORT)
        partials = np.round(hertz(midi, self.concert_pitch) * np.arange(1, 9) * _SHORT / RATE).astype(int)
        power = [(spectra[:, at - 1 : at + 2] ** 2).sum(axis=1) for at in partials if at < _SHORT // 2 - 5]
        levels = 10 * np.log10(np.array(power) + 1e-9)
        usual = np.median(levels, axis=1)
        levels = levels[usual > usual.max() - _HEARD_DB]
        beside = np.median(np.lib.stride_tricks.sliding_window_view(levels, far - near + 1, axis=1), axis=2)
        lower = np.minimum(beside[:, :count], beside[:, far + near : far + near + count])
        return np.asarray(np.median(lower - levels[:, far : far + count], axis=0))

    def rises(self, seconds: float) -> bool:
        """Whether it was quiet before a second: there a pitch is the clearest as soon as the window reaches it."""
        before, after = (round((seconds + by) * RATE / HOP) for by in (-_BESIDE, _BESIDE))
        return bool(before < 0 or self.level[min(after, len(self.level) - 1)] - self.level[before] > _RISE_DB)

    def turn(self, seconds: float, midi: int) -> float:
        """The clearest turn of the bow on a pitch within 20 ms of a second, or else the clearest attack."""
        middle, reach = round((seconds + SUNK_AFTER) * RATE / FINE), round(0.02 * RATE / FINE)
        dips = self.sunk(middle - reach, 2 * reach + 1, midi)
        if dips.max() < _NO_TURN:
            return self.attack(seconds)
        return (middle - reach + int(dips.argmax())) * FINE / RATE - SUNK_AFTER

    def attack(self, seconds: float) -> float:
        """The clearest attack within 20 ms of a second, or that second where there is none."""
        middle, reach = round(seconds * RATE / FINE), round(0.02 * RATE / FINE)
        piece = self.attacks[max(middle - reach, 0) : middle + reach + 1]
        if not len(piece) or piece.max() < 0.3:
            return seconds
        return (max(middle - reach, 0) + int(piece.argmax())) * FINE / RATE


@dataclass(frozen=True, slots=True)
class Placed:
    """A note as played.

    Parameters
    ----------
    note : MelodyNote
    index : int
        Its place among the melody's notes.
    seconds : float
        When it was begun.
    clear : float
        How plain that is, 0 to 1.
    fits : float
        How clearly its pitch sounds, 0 to 1.
    """

    note: MelodyNote
    index: int
    seconds: float
    clear: float
    fits: float


def place_notes(
    sight: Sight, leg: Leg, notes: Sequence[tuple[int, MelodyNote]], fixed: dict[int, float] | None = None
) -> list[Placed]:
    """Place the notes of a leg.

    Parameters
    ----------
    sight : Sight
    leg : Leg
    notes : sequence of (int, MelodyNote)
        Those that lie in it, with their places among the melody's notes.
    fixed : dict of int to float, optional
        Seconds that are known, by the place among the melody's notes.
    """
    if not notes:
        return []
    centres = [round((fixed or {}).get(index, leg.when(float(note.start))) * RATE / HOP) for index, note in notes]
    joined = [at > 0 and notes[at - 1][1].end == note.start for at, (_, note) in enumerate(notes)]
    befores = [notes[at - 1][1].midi if joined[at] else None for at in range(len(notes))]
    rows = np.array(
        [
            _evidence(sight, centre, note.midi, before)
            for centre, (_, note), before in zip(centres, notes, befores, strict=True)
        ]
    )
    cost = -np.log(0.04 + np.clip(rows, 0, 1.5)) + 0.5 * (_GRID * HOP / RATE / _STRAY) ** 2
    for at, (index, _) in enumerate(notes):
        if fixed and index in fixed:
            cost[at] = 100.0 * (np.abs(_GRID) > 1)
    path = cheapest(cost, np.array(centres) * HOP / RATE, _GRID * HOP / RATE, even=_EVEN, apart=0.03)
    out = []
    for at, (index, note) in enumerate(notes):
        rough = (centres[at] + int(_GRID[path[at]])) * HOP / RATE
        seconds, plain = _exact(sight, rough, note.midi, befores[at]), float(np.clip(rows[at, path[at]], 0, 1))
        if fixed and index in fixed:
            seconds, plain = fixed[index], 1.0
        upto = (
            centres[at + 1] + int(_GRID[path[at + 1]])
            if at + 1 < len(notes)
            else centres[at] + int(_GRID[path[at]]) + 40
        )
        out.append(Placed(note, index, seconds, plain, _fits(sight, seconds, upto * HOP / RATE, note.midi)))
    return out


def _evidence(sight: Sight, centre: int, midi: int, before: int | None) -> Array:
    """Evidence of a note's beginning over the grid."""
    width = round(_BEFORE * RATE / HOP)
    low = centre + int(_GRID[0]) - width
    high = low + len(_GRID) + 2 * width
    own = cut(sight.clear[:, _column(midi)], low, high)
    if before is not None and before != midi:
        own = own - cut(sight.clear[:, _column(before)], low, high)
    total = np.concatenate([[0.0], np.cumsum(own)])
    places = np.arange(len(_GRID)) + width
    change = (
        (total[places + width] - 2 * total[places] + total[places - width])
        / width
        / (2 if before not in (None, midi) else 1)
    )
    first, end = centre + int(_GRID[0]), centre + int(_GRID[-1]) + 1
    begun = cut(sight.begun, first, end)
    here = cut(np.maximum(sight.clear[:, _column(midi)], 0), first + 6, end + 6)  # its pitch comes after
    attack = np.clip(begun, 0, 1.2) * (0.3 + 0.7 * here)
    if before == midi:
        fine = HOP // FINE
        dips = sight.sunk(first * fine + round(SUNK_AFTER * RATE / FINE), len(_GRID) * fine, midi)
        graced = 0.5 * np.clip(change, 0, 1)  # another pitch may have sounded for a moment
        turned = (dips[::fine] + np.clip(begun, 0, 1.2) - _NO_TURN) / (_PLAIN_TURN - _NO_TURN)
        return np.asarray(np.clip(turned, 0, 1.5) + graced)
    return np.asarray(0.75 * np.clip(change, 0, 1) + 0.5 * attack)


def _column(midi: int) -> int:
    return min(max(midi - LOWEST, 0), PITCHES - 1)


def _exact(sight: Sight, rough: float, midi: int, before: int | None) -> float:
    """The second of a note's beginning: where its pitch takes over, or, after the same one, where the bow turns."""
    change = sight.change(rough, midi)
    if change is not None and sight.rises(change):
        return sight.attack(change) + _SOON
    if before != midi:
        return change if change is not None else sight.attack(rough)
    return change if change is not None and abs(change - rough) < _NEAR_TURN else sight.turn(rough, midi)


def _fits(sight: Sight, begin: float, end: float, midi: int) -> float:
    low, high = round(begin * RATE / HOP) + 4, round(end * RATE / HOP) - 2
    piece = sight.clear[max(low, 0) : max(high, low + 2), _column(midi)]
    return float(np.median(piece)) if len(piece) else 0.0
