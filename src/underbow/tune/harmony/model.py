"""The model that chooses chords: a conditional random field over a tune's units, solved exactly.

A path through the chords (24 of them: a major and a minor one on each of twelve roots, counted from the tonic) has a score:
the sum, unit by unit, of how well the chord fits what is seen there, and how well it follows the chord before. Its
probability is the exponential of its score, divided by the sum of those of all paths (Lafferty, McCallum and Pereira, 2001).
Sums over all paths are passed forward and backward through the tune, so that what is told of a bar is exact.

The weights lie in ``harmony.json``; ``benchmarks/chords/train.py`` makes it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np

from underbow.tune.harmony.units import RINGS, TOGETHER, Array, Seen

CHORDS = 24  # 2 * semitones above the tonic, + 1 for minor
ROOTS = ("I", "bII", "II", "bIII", "III", "IV", "#IV", "V", "bVI", "VI", "bVII", "VII")
DEGREE_RINGS = (
    "length", "first", "bar", "bar first", "after first", "next bar first", "bar before", "bar after",
)  # fmt: skip
MOVES = ("over the bar line", "inside the bar", "into a section")
MODES = ("major", "minor")
# How the other modes differ from the two that were trained: the second chord of a pair takes over what the first one does.
# Mixolydian has no leading note, so that bVII stands where V stood; dorian has its fourth degree's major chord.
STAND_IN = {"mixolydian": ((14, 20),), "dorian": ((11, 10),), "phrygian": ((20, 3),)}
# Added to a chord's score.
AGAINST = {"mixolydian": {14: -1.5}, "dorian": {0: -3.0, 14: -2.0, 11: -1.0}, "phrygian": {0: -3.0, 14: -2.0}}


def name_of(chord: int) -> str:
    """Name a chord by its degree, in lower case where it is minor.

    >>> name_of(0), name_of(5), name_of(20)
    ('I', 'ii', 'bVII')
    """
    root, minor = divmod(chord, 2)
    return ROOTS[root].lower() if minor else ROOTS[root]


NAMES = tuple(name_of(chord) for chord in range(CHORDS))
NUMBER = {name: chord for chord, name in enumerate(NAMES)}
_SHIFT = (np.arange(12)[:, None] - np.arange(12)[None, :]) % 12  # tone, root -> tone above the root


@dataclass(frozen=True, slots=True)
class Model:
    """The weights, laid out for one mode.

    Parameters
    ----------
    tones : array, shape (rings * 12, 24)
        Weight of a ring's tone for a chord.
    together : array, shape (kinds, 24)
    places : dict of array, shape (24,)
    moves : array, shape (len(MOVES), 24, 24)
    changes : dict of float
    """

    tones: Array
    together: Array
    places: dict[str, Array]
    moves: Array
    changes: dict[str, float]

    @classmethod
    def of(cls, table: Mapping[str, Any], mode: str) -> Model:
        """Lay out the weights of ``harmony.json`` for a mode of :data:`underbow.theory.key.MODES`."""
        minor = mode not in ("major", "mixolydian", "lydian")
        tones = np.zeros((len(RINGS), 12, CHORDS))
        for ring, pair in table["chord tones"].items():
            for third in (0, 1):
                tones[RINGS.index(ring), :, third::2] += np.array(pair[third])[_SHIFT]
        degrees = np.zeros_like(tones)
        places: dict[str, Array] = {}
        moves = np.zeros((len(MOVES), CHORDS, CHORDS))
        for part in ("both", "minor") if minor else ("both",):
            for ring, chords in table["degrees"][part].items():
                degrees[RINGS.index(ring)] += _row(chords, 12).T
            for place, chords in table["places"][part].items():
                places[place] = places.get(place, 0.0) + _row(chords, 1)[:, 0]
            for where, rows in table["moves"][part].items():
                moves[MOVES.index(where)] += _row({chord: _row(row, 1)[:, 0] for chord, row in rows.items()}, CHORDS)
        for old, new in STAND_IN.get(mode, ()):
            _stand_in(degrees, places, moves, old, new)
        for chord, weight in AGAINST.get(mode, {}).items():
            places["always"][chord] += weight
        for where, kinds in table["intervals"].items():
            for kind, row in kinds.items():
                a, b = (int(word == "minor") for word in kind.split(" to "))
                moves[MOVES.index(where), a::2, b::2] += np.array(row)[_SHIFT.T]
        together = np.array([[table["together"][kind][chord % 2] for chord in range(CHORDS)] for kind in TOGETHER])
        return cls((tones + degrees).reshape(-1, CHORDS), together, places, moves, dict(table["changes"]))

    def fits(self, seen: Seen) -> Array:
        """How well each chord fits each unit: shape (n, 24). Units of bars with the same notes share what they see."""
        n = len(seen.units)
        out = seen.rings.reshape(n, -1) @ self.tones + np.einsum("nkc,kc->nc", seen.together, self.together)
        names = list(self.places)
        column = {name: i for i, name in enumerate(names)}
        shares = np.zeros((n, len(names)))
        for i, row in enumerate(seen.places):
            for name, share in row.items():
                if name in column:
                    shares[i, column[name]] = share
        out += shares @ np.array([self.places[name] for name in names])
        count = int(seen.alike.max()) + 1
        sums = np.zeros((count, CHORDS))
        np.add.at(sums, seen.alike, out)
        return np.asarray((sums / np.bincount(seen.alike, minlength=count)[:, None])[seen.alike])

    def steps(self, seen: Seen) -> Array:
        """Weight of every move into each unit, as factors: shape (n, 24, 24); no preference where nothing leads there."""
        change = np.array([sum(self.changes.get(k, 0.0) * v for k, v in row.items()) for row in seen.changes])
        where = np.array([2 if u.begins and u.place == 0 else int(u.place > 0) for u in seen.units])
        out = np.exp(self.moves)[where] * np.exp(change)[:, None, None]
        same = np.exp(np.einsum("wcc->wc", self.moves))[where]
        out[:, np.arange(CHORDS), np.arange(CHORDS)] = same
        out[[unit.cut for unit in seen.units]] = 1.0
        return np.asarray(out)


def _row(chords: Mapping[str, Any], width: int) -> Array:
    """Lay weights by chord out as an array of shape (24, width)."""
    out = np.zeros((CHORDS, width))
    for chord, weights in chords.items():
        out[NUMBER[chord]] = weights
    return out


def _stand_in(degrees: Array, places: dict[str, Array], moves: Array, old: int, new: int) -> None:
    """Let one chord take over another's part, and the other the one's."""
    shift = new // 2 - old // 2
    a, b = degrees[:, :, old].copy(), degrees[:, :, new].copy()
    degrees[:, :, new], degrees[:, :, old] = np.roll(a, shift, 1), np.roll(b, -shift, 1)
    for row in places.values():
        row[[old, new]] = row[[new, old]]
    moves[:, [old, new]] = moves[:, [new, old]]
    moves[:, :, [old, new]] = moves[:, :, [new, old]]


@cache
def model_of(mode: str) -> Model:
    """Give the model for a mode."""
    return Model.of(_table(), mode)


@cache
def _table() -> Any:
    return json.loads(files("underbow.tune.harmony").joinpath("harmony.json").read_text(encoding="utf-8"))


@dataclass(frozen=True, slots=True)
class Solved:
    """What the model says of a tune.

    Parameters
    ----------
    forward, backward : array, shape (n, 24)
        Shares of all that came before, the unit included; of all that comes after. Their product is the chords' probabilities.
    steps : array, shape (n, 24, 24)
        Factor of every move into a unit, the unit's own fit included, scaled so that probabilities multiply.
    total : float
        Logarithm of the sum over all paths.
    """

    forward: Array
    backward: Array
    steps: Array
    total: float

    @property
    def probabilities(self) -> Array:
        """Probability of each chord in each unit: shape (n, 24), rows sum to 1."""
        return self.forward * self.backward


def solve(fits: Array, steps: Array) -> Solved:
    """Sum over all paths.

    Parameters
    ----------
    fits : array, shape (n, 24)
        Scores; -inf forbids a chord.
    steps : array, shape (n, 24, 24)
        Factors; the first one is not used.
    """
    top = fits.max(axis=1, keepdims=True)
    own = np.exp(fits - top)
    steps = steps * own[:, None, :]
    forward = np.empty_like(own)
    backward = np.ones_like(own)
    sums = np.empty(len(own))
    sums[0] = own[0].sum()
    forward[0] = now = own[0] / sums[0]
    for n in range(1, len(own)):
        now = now @ steps[n]
        sums[n] = total = now.sum()
        now = now / total
        forward[n] = now
    steps /= sums[:, None, None]
    for n in range(len(own) - 1, 0, -1):
        backward[n - 1] = steps[n] @ backward[n]
    return Solved(forward, backward, steps, float(np.log(sums).sum() + top.sum()))
