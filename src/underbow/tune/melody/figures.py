"""The figures that composed melodies follow, from ``melody.json``: counts over real tunes, by dance.

The file is made by ``benchmarks/compose/figures.py``, which says how it counts. For each dance: the shares of rhythms of every
cell of a bar (inside a phrase and at its end), of moves by scale steps after each kind of move (onto the beat and off it),
mean and spread of the notes' heights in MIDI numbers; and how much tunes differ from each other (:class:`Spread`), from which
every composed tune draws a character of its own: high or low, wide or narrow, by leaps or by steps, busy or calm.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache
from importlib.resources import files
from random import Random
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from underbow.theory.meter import Meter

KINDS = ("leap down", "step down", "same", "step up", "leap up")
MOST_STEPS = 9
# What a dance is counted in. The first dance that fits a meter is what is composed where none is asked for.
DANCES: dict[str, tuple[str, ...]] = {
    "reel": ("4/4", "2/2"),
    "jig": ("6/8", "12/8", "3/8"),
    "slip jig": ("9/8",),
    "waltz": ("3/4",),
    "polka": ("2/4",),
    "hornpipe": ("4/4", "2/2", "2/4"),
    "march": ("4/4", "2/2", "2/4", "6/8"),
    "air": (),  # any meter
}


@dataclass(frozen=True, slots=True)
class Spread:
    """How much tunes of a dance differ: standard deviations from tune to tune.

    Parameters
    ----------
    height : float
        Of a tune's mean height, semitones.
    width : (float, float)
        Mean and deviation of the logarithm of a tune's register over the dance's.
    leaps : float
        Of the logarithm of a factor of all moves by more than a step.
    density : (float, float)
        Mean and deviation of the logarithm of a factor of a cell's rhythm for every note that it has.
    """

    height: float = 0.0
    width: tuple[float, float] = (0.0, 0.0)
    leaps: float = 0.0
    density: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Figures:
    """One dance's figures.

    Parameters
    ----------
    height : (float, float)
        Middle and spread of the register, MIDI numbers.
    moves : array, shape (2, 5, 19)
        Share of a move by -9 to 9 scale steps, off the beat and onto it, after each of :data:`KINDS`.
    sizes : array, shape (10,)
        Factor of a move by so many steps, up or down, that makes up for what the chords do to the moves.
    spread : Spread
    lift : float
        Semitones by which a high phrase lies higher than the rest.
    cells : int
        How many cells its bars have at least: 4 where the dance was counted in bars of four.
    """

    dance: str
    size: Fraction
    height: tuple[float, float]
    moves: NDArray[np.float64]
    sizes: NDArray[np.float64]
    rhythm: dict[str, tuple[tuple[tuple[Fraction, ...], float], ...]]
    spread: Spread = Spread()
    lift: float = 4.0
    cells: int = 1

    def of_a_tune(self, rng: Random) -> Figures:
        """Draw one tune's figures from the dance's."""
        height, width, leaps, density = (_normal(rng) for _ in range(4))
        mean, deviation = self.spread.width
        wide = math.exp(mean + width * deviation)
        usual, varied = self.spread.density
        busy = usual + density * varied
        sizes = self.sizes.copy()
        sizes[2:] *= math.exp(leaps * self.spread.leaps)
        return replace(
            self,
            height=(self.height[0] + height * self.spread.height, self.height[1] * wide),
            lift=self.lift * wide,
            sizes=sizes,
            rhythm={
                name: tuple((cell, share * math.exp(busy * len(cell))) for cell, share in choices)
                for name, choices in self.rhythm.items()
            },
        )

    def cell(self, number: int, length: Fraction, drawn: float, *, ending: bool) -> tuple[Fraction, ...]:
        """Draw the rhythm of a bar's cell, fitted to its length; ``at`` in [0, 1) says which. Held first notes are negative."""
        name = f"{'end' if ending else 'bar'} {number}"
        while name not in self.rhythm and number > 0:  # a bar of more cells than the dance has: as its second cell
            number -= 1
            name = f"{'end' if ending else 'bar'} {number}"
        choices = self.rhythm[name]
        total = sum(share for _, share in choices)
        chosen = choices[0][0]
        for lengths, share in choices:
            drawn -= share / total
            if drawn < 0:
                chosen = lengths
                break
        scale = length / self.size
        if scale.numerator & (scale.numerator - 1) == 0 and scale.denominator & (scale.denominator - 1) == 0:
            return tuple(part * scale for part in chosen)
        eighths = max(int(length * 2), 1)
        return (length,) if len(chosen) == 1 else tuple([length / eighths] * eighths)


def dance_of(meter: Meter) -> str:
    """Give the dance that a meter is most often danced to.

    >>> [dance_of(Meter.parse(text)) for text in ("C|", "6/8", "9/8", "3/4", "2/4", "5/4")]
    ['reel', 'jig', 'slip jig', 'waltz', 'polka', 'air']
    """
    plain = f"{sum(meter.groups)}/{meter.unit}"
    return next((dance for dance, meters in DANCES.items() if plain in meters), "air")


@cache
def figures_of(dance: str, *, compound: bool = False) -> Figures:
    """Read one dance's figures; a march or an air in compound time has those of a jig."""
    table = json.loads(files("underbow.tune.melody").joinpath("melody.json").read_text(encoding="utf-8"))
    own = table["jig"] if compound and Fraction(table[dance]["cell"]) == 1 else table[dance]
    moves = np.full((2, len(KINDS), 2 * MOST_STEPS + 1), 1e-4)
    for name, shares in own["moves"].items():
        kind, where = name.split(", ")
        for step, share in shares.items():
            moves[int(where == "beat"), KINDS.index(kind), int(step) + MOST_STEPS] += share
    rhythm = {
        name: tuple((tuple(map(Fraction, text.split())), share) for text, share in shares.items())
        for name, shares in own["rhythm"].items()
    }
    differ = own["spread"]
    spread = Spread(differ["height"], tuple(differ["width"]), differ["leaps"], tuple(differ["density"]))
    height = own["height"][0], own["height"][1]
    return Figures(
        dance,
        Fraction(own["cell"]),
        height,
        moves,
        np.array(own["sizes"]),
        rhythm,
        spread,
        cells=4 if "bar 3" in rhythm else 1,
    )


def _normal(rng: Random) -> float:
    """Draw from the standard normal distribution, its outermost hundredths drawn in."""
    return NormalDist().inv_cdf(min(max(rng.random(), 0.01), 0.99))
