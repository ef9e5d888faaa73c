"""Count the shares of ``src/underbow/tune/keyfind.py``, find their weights, and measure the keys that are found.

    python benchmarks/recording/tonics.py FOLDER

FOLDER holds tunebooks in ABC. Every second tune that ``measure.py`` may draw is counted, and what it never draws (short tunes,
songs without parts); the tunes between them are for measuring alone. In five parts, the weights are found on what was counted
in the other four, by a conditional logit: how likely the key is that is written, against all others. The collection names no
modes but major and minor: where a minor tune's sixth is high for most of the time it is dorian, where a major tune's seventh is
low it is mixolydian. Minor tunes are rare, and some of them named by their signature: each counts by the root of how much rarer
they are. Nothing is played: the notes are taken as written, repeats and all, with their own bar lines. What is printed is
pasted into ``keyfind.py`` by hand.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
from measure import collected, drawable
from numpy.typing import NDArray
from scipy.optimize import minimize

from underbow.ear.writing.barlines import COUNTED
from underbow.ear.writing.form import part_length
from underbow.theory.key import Key
from underbow.tune.keyfind import KINDS, THIRDS, Line, claims, find_key, heard, profile, swapped
from underbow.tune.midi.quantise import Played
from underbow.tune.tune import Melody, Tune

LEAST = {"time": 0.02, "begins": 0.5, "ends": 0.5, "first bar": 0.05, "last bar": 0.05}
FOLDS, SHRUNK = 5, 0.05
FEWEST = 24  # notes of a tune that is counted
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Example:
    """A tune's line, from its first bar line on, its bar and part, and its written key."""

    line: Line
    bar: Fraction
    part: Fraction | None
    key: Key

    @classmethod
    def of(cls, tune: Tune, melody: Melody) -> Example:
        first, bar = melody.notes[0].start, melody.full_bars[0]
        played = [Played(note.start - first, note.end - first, note.midi) for note in melody.notes]
        pickup = (bar.start - first) % bar.length
        line = [(note.start - pickup, note.end - note.start, note.midi) for note in played]
        return cls(line, bar.length, part_length(played), tune.key)

    @property
    def mode(self) -> str:
        """Dorian where a minor tune's sixth is high for most of the time, mixolydian where a major tune's seventh is low."""
        time = heard(self.line, self.bar, self.part)["time"]
        sixth, high, low, seventh = (time.get((self.key.tonic.number + up) % 12, 0.0) for up in (8, 9, 10, 11))
        if self.key.is_minor:
            return "dorian" if high > sixth else "minor"
        return "mixolydian" if low > seventh else "major"

    def is_in(self, tonic: int, third: str) -> bool:
        return (tonic, third) == (self.key.tonic.number, "minor" if self.key.is_minor else "major")

    def seen(self) -> dict[str, Array]:
        """For each kind, how much of it each tone above the tonic has; as if it were in major or minor."""
        said = heard(self.line, self.bar, self.part)
        tonic = self.key.tonic.number
        rows = {kind: [tones.get((tonic + up) % 12, 0.0) for up in range(12)] for kind, tones in said.items()}
        return {kind: np.array(swapped(row, self.mode)) for kind, row in rows.items()}


def counted(examples: Sequence[Example]) -> dict[str, dict[str, list[int]]]:
    """By third and kind, the shares of the tones above the tonic, per mille, each tune having the same say."""
    out: dict[str, dict[str, list[int]]] = {}
    for third in ("major", "minor"):
        some = [example.seen() for example in examples if example.key.is_minor == (third == "minor")]
        rows = {kind: sum((seen[kind] / seen[kind].sum() for seen in some), np.full(12, least))
                for kind, least in LEAST.items()}  # fmt: skip
        out[third] = {
            kind: [max(round(1000 * share), 1) for share in (row / row.sum()).tolist()] for kind, row in rows.items()
        }
    return out


def asked(example: Example, tables: Mapping[str, Mapping[str, Sequence[int]]]) -> Array:
    """For each mode and each tonic, what each kind claims, and which mode it is; shape (modes * 12, kinds + modes)."""
    said = heard(example.line, example.bar, example.part)
    rows = []
    for mode, third in THIRDS.items():
        shares = {kind: profile(tables[third][kind], mode) for kind in KINDS}
        for tonic in range(12):
            spoken = claims(said, tonic, shares)
            rows.append([*(spoken[kind] for kind in KINDS), *(float(mode == other) for other in THIRDS)])
    return np.array(rows)


def weighed(rows: Array, right: Sequence[int], say: Array) -> Array:
    """Weights of the kinds, none below 0, and what each mode has, under which the right keys are likeliest.

    ``rows`` has shape (tunes, modes * 12, kinds + modes), ``say`` (tunes,).
    """
    kinds, every = len(KINDS), np.arange(len(rows))
    held = np.arange(rows.shape[2]) < kinds

    def surprise(now: Array) -> tuple[float, Array]:
        merit = rows @ now
        shares = np.exp(merit - merit.max(axis=1, keepdims=True))
        shares /= shares.sum(axis=1, keepdims=True)
        whole = -(say * np.log(shares[every, right])).sum() + SHRUNK * len(rows) * (held * now) @ now
        shares[every, right] -= 1
        return float(whole), np.einsum("t,tk,tkn->n", say, shares, rows) + 2 * SHRUNK * len(rows) * held * now

    bounds = [(0, None)] * kinds + [(0, 0)] + [(None, None)] * (len(THIRDS) - 1)
    start = np.concatenate([np.full(kinds, 0.3), [0.0], np.full(len(THIRDS) - 1, -1.0)])
    return np.asarray(minimize(surprise, start, jac=True, bounds=bounds, method="L-BFGS-B").x)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("folder", type=Path)
    every = list(collected(options.parse_args().folder))
    tunes = [one for one in every if drawable(one[2])]
    never = [one for one in every if not drawable(one[2]) and len({bar.meter for bar in one[2].bars}) == 1]
    training = [
        Example.of(tune, melody)
        for meter, tune, melody in tunes[::2] + never
        if meter in COUNTED and len(melody.notes) >= FEWEST
    ]
    rows = np.zeros((len(training), 12 * len(THIRDS), len(KINDS) + len(THIRDS)))
    for fold in range(FOLDS):
        tables = counted([example for at, example in enumerate(training) if at % FOLDS != fold])
        for at in range(fold, len(training), FOLDS):
            rows[at] = asked(training[at], tables)
    minor = np.array([example.key.is_minor for example in training])
    say = np.where(minor, np.sqrt((~minor).sum() / minor.sum()), 1.0)
    modes = list(THIRDS)
    right = [12 * modes.index(example.mode) + example.key.tonic.number for example in training]
    now = weighed(rows, right, say / say.mean())
    print("weights", dict(zip(KINDS, now[: len(KINDS)].round(2).tolist(), strict=True)))
    print("usual", dict(zip(THIRDS, now[len(KINDS) :].round(2).tolist(), strict=True)))
    for third, kinds in counted(training).items():
        for kind, row in kinds.items():
            print(third, kind, tuple(row))
    best = (rows @ now).argmax(axis=1).tolist()
    hits = [one.is_in(at % 12, THIRDS[modes[at // 12]]) for one, at in zip(training, best, strict=True)]
    print(f"counted, each by what was counted in the other parts: tonic and third right in {sum(hits)} of {len(hits)}")
    others = [Example.of(tune, melody) for meter, tune, melody in tunes[1::2] if meter in COUNTED]
    found = [find_key(one.line, one.bar, one.part) for one in others]
    hits = [one.is_in(key.tonic.number, THIRDS[key.mode]) for one, key in zip(others, found, strict=True)]
    print(f"others, as keyfind.py has it: tonic and third right in {sum(hits)} of {len(hits)}")


if __name__ == "__main__":
    main()
