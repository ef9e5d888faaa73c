"""The learned ear: how well each chord fits each unit, heard by a small network beside the weights of ``harmony.json``.

Two parts, added up. One looks at a candidate root: everything that is seen of the notes, turned so that the root comes
first, goes through one hidden layer, the same for all twelve roots. The other listens along the tune: a recurrent layer with
gates (Cho and others, 2014), run over the units forward and backward, which sees the notes where they lie in the unit and
where the unit lies in its phrase; it shifts the first one's hidden layer and has a say of its own.

The weights lie in ``emission.json``, as whole numbers with a scale for each array; ``benchmarks/chords/train_emission.py``
makes it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np

from underbow.tune.harmony.units import RINGS, Array, Seen, Unit

KINDS = ("two", "three", "four", "jig", "slip jig", "other")
PLACES = 26
MINOR = ("minor", "dorian", "phrygian", "locrian")
NEAR = ("length", "bar")  # rings that the recurrent part sees, beside the grid
_ROOT = (np.arange(12)[:, None] - np.arange(12)[None, :]) % 12  # tone, root -> tone above the root


@dataclass(frozen=True, slots=True)
class Emission:
    """The network's weights.

    Parameters
    ----------
    tones : array, shape ((rings + grid) * 12, 12 * hidden)
        What is seen to the hidden layer of each root.
    places : array, shape (places, 12 * hidden)
    hidden : array, shape (12 * hidden,)
        The hidden layer's own bias for each root.
    third : array, shape (hidden, 2)
        The hidden layer to the root's major and minor chord.
    before : tuple of array
        Into the recurrent layer: weights of shape (inputs, gates) and bias.
    gates : tuple of array
        Of both directions: weights of the input (2, gates, 3 * gates) and of the state, and their biases (2, 3 * gates).
    after : tuple of array
        From the recurrent layer to the chords: weights of shape (2 * gates, 24) and bias.
    shifts : tuple of array
        From the recurrent layer to every root's hidden layer: weights of shape (2 * gates, hidden) and bias.
    share : float
        What the scores of ``harmony.json`` count beside the network's.
    steps : float
        What its moves count.
    """

    tones: Array
    places: Array
    hidden: Array
    third: Array
    before: tuple[Array, Array]
    gates: tuple[Array, Array, Array, Array]
    after: tuple[Array, Array]
    shifts: tuple[Array, Array]
    share: float
    steps: float

    @classmethod
    def of(cls, table: Mapping[str, Any]) -> Emission:
        """Lay out the weights of ``emission.json``."""

        def array(name: str) -> Array:
            row = table[name]
            return np.asarray(np.array(row["numbers"], float).reshape(row["shape"]) * row["scale"], float)

        tones = array("tones")  # kind of tone, tone above the root, hidden
        width = tones.shape[2]
        return cls(
            tones=tones[:, _ROOT].reshape(-1, 12 * width),
            places=array("places").reshape(-1, 12 * width),
            hidden=array("hidden").reshape(-1),
            third=array("third"),
            before=(array("before"), array("before bias")),
            gates=(array("input"), array("state"), array("input bias"), array("state bias")),
            after=(array("after"), array("after bias")),
            shifts=(array("shifts"), array("shifts bias")),
            share=table["share"],
            steps=table["steps"],
        )

    def scores(self, seen: Seen, mode: str) -> Array:
        """How well each chord fits each unit: shape (n, 24), the two chords of a root side by side."""
        n = len(seen.units)
        grid = seen.grid.reshape(n, -1)
        place = places_of(seen.units, mode)
        near = [seen.rings[:, RINGS.index(ring)] for ring in NEAR]
        along = self._along(np.maximum(np.concatenate([*near, grid, place], 1) @ self.before[0] + self.before[1], 0.0))
        hidden = np.concatenate([seen.rings.reshape(n, -1), grid], 1) @ self.tones + place @ self.places + self.hidden
        hidden = hidden.reshape(n, 12, -1) + (along @ self.shifts[0] + self.shifts[1])[:, None]
        by_root = np.maximum(hidden, 0.0) @ self.third
        return np.asarray(by_root.reshape(n, -1) + along @ self.after[0] + self.after[1])

    def _along(self, inputs: Array) -> Array:
        """Run over the units in both directions at once: shape (n, 2 * gates)."""
        weights, state, bias, state_bias = self.gates
        both = np.stack([inputs, inputs[::-1]]) @ weights + bias[:, None]
        width = state.shape[1]
        now = np.zeros((2, 1, width))
        out = np.empty((len(inputs), 2, width))
        for step in range(len(inputs)):
            here, before = both[:, step : step + 1], now @ state + state_bias[:, None]
            keep = 1.0 / (1.0 + np.exp(-here[..., : 2 * width] - before[..., : 2 * width]))
            fresh = np.tanh(here[..., 2 * width :] + keep[..., :width] * before[..., 2 * width :])
            now = fresh + keep[..., width:] * (now - fresh)
            out[step] = now[:, 0]
        return np.concatenate([out[:, 0], out[::-1, 1]], 1)


def places_of(units: Sequence[Unit], mode: str) -> Array:
    """Say where each unit lies in bar, phrase, section and tune; its meter; minor or major: shape (n, PLACES)."""
    out = np.zeros((len(units), PLACES))
    for row, (unit, left) in enumerate(zip(units, range(len(units) - 1, -1, -1), strict=True)):
        out[row, min(unit.place, 2)] = 1
        out[row, 3 + unit.number % 8] = 1
        if unit.left < 4:
            out[row, 11 + unit.left] = 1
        if left < 2:
            out[row, 15 + left] = 1
        if unit.number == 0:
            out[row, 17] = 1
        out[row, 18 + KINDS.index(unit.kind)] = 1
    out[:, 24 if mode in MINOR else 25] = 1
    return out


@cache
def emission() -> Emission:
    """Load the network."""
    text = files("underbow.tune.harmony").joinpath("emission.json").read_text(encoding="utf-8")
    return Emission.of(json.loads(text))
