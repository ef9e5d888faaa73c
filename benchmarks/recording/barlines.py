"""Make src/underbow/ear/writing/barlines.json again, and measure it.

    python benchmarks/recording/barlines.py FOLDER [--write]

FOLDER holds tunebooks in ABC. Every second tune is counted and, in five parts, the weights are found on what was counted in
the other four; the tunes between them are for measuring alone. What is maximised is how likely the pickups are that are written.
Nothing is played: the notes are taken as they are written, from the first one on.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter, defaultdict
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
from measure import readable
from numpy.typing import NDArray
from scipy.optimize import minimize

from underbow.ear.writing.barlines import COUNTED, KINDS, SEEN, Tables, claims, find_meter, find_pickup, signs
from underbow.ear.writing.form import part_length
from underbow.theory.meter import Meter
from underbow.tune.midi.quantise import Played
from underbow.tune.tune import Melody

OUT = Path(__file__).parents[2] / "src" / "underbow" / "ear" / "writing" / "barlines.json"
SMOOTHED = 4.0  # signs that are taken for seen
FOLDS, SHRUNK = 5, 0.05
Array = NDArray[np.float64]
Example = tuple[list[Played], int, Fraction | None]  # a line, its pickup in sixteenths, its part


def example(melody: Melody) -> Example:
    first = melody.notes[0].start
    line = [Played(note.start - first, note.end - first, note.midi) for note in melody.notes]
    bar = melody.full_bars[0]
    return line, round((bar.start - first) % bar.length * 4), part_length(line)


def counted(examples: Sequence[Example], bar: int) -> Tables:
    found: dict[tuple[str, str], Array] = defaultdict(lambda: np.zeros(bar))
    usual = np.full(bar, 0.3)
    for line, pickup, part in examples:
        usual[pickup] += 1
        for sign in signs(line, bar, part):
            found[sign.kind, sign.what][(sign.place - pickup) % bar] += 1
    tables = {}
    for kind in SEEN:
        rows = {what: row for (other, what), row in found.items() if other == kind}
        every = sum(rows.values(), np.full(bar, 0.5))
        every /= every.sum()
        for what, row in rows.items():
            tables[kind, what] = np.log((row + SMOOTHED * every) / (row.sum() + SMOOTHED) * bar)
        tables[kind, ""] = np.log(every * bar)
    return Tables(dict.fromkeys(KINDS, 1.0), tables, np.log(usual / usual.sum()))


def weights(rows: Sequence[Array], right: Sequence[int]) -> Array:
    """Weights of the kinds, none below 0, under which the right ones are likeliest (a logistic regression)."""

    def surprise(now: Array) -> tuple[float, Array]:
        whole, slope = SHRUNK * len(rows) * float(now @ now), 2 * SHRUNK * len(rows) * now
        for row, at in zip(rows, right, strict=True):
            merit = row @ now
            shares = np.exp(merit - merit.max())
            shares /= shares.sum()
            whole -= float(np.log(shares[at] + 1e-12))
            slope = slope - row[at] + shares @ row
        return whole, slope

    found = minimize(surprise, np.full(len(KINDS), 0.1), jac=True, bounds=[(0, None)] * len(KINDS), method="L-BFGS-B")
    return np.asarray(found.x)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("folder", type=Path)
    asked.add_argument("--write", action="store_true")
    options = asked.parse_args()
    tunes = [(meter, melody) for meter, _, melody in readable(options.folder)]
    training: dict[str, list[Example]] = defaultdict(list)
    for meter, melody in tunes[::2]:
        training[meter].append(example(melody))
    rows: list[Array] = []
    right: list[int] = []
    kept: dict[str, object] = {}
    for meter in COUNTED:
        bar = round(Meter.parse(meter).bar * 4)
        some = [one for one in training[meter] if one[1] % 2 == 0]
        for fold in range(FOLDS):
            tables = counted([one for at, one in enumerate(some) if at % FOLDS != fold], bar)
            rows += [claims(line, tables, part) for line, _, part in some[fold::FOLDS]]
            right += [pickup // 2 for _, pickup, _ in some[fold::FOLDS]]
        tables = counted(some, bar)
        kept[meter] = {
            "usual": (100 * tables.usual).round().astype(int).tolist(),
            "signs": {
                kind: {
                    what: (100 * row).round().astype(int).tolist()
                    for (other, what), row in sorted(tables.signs.items())
                    if other == kind
                }
                for kind in SEEN
            },
        }
    if options.write:
        found = dict(zip(KINDS, weights(rows, right).round(3).tolist(), strict=True))
        OUT.write_text(json.dumps({"weights": found, "meters": kept}, separators=(",", ":")) + "\n")
        print(found)
    for name, some_tunes in (("counted", tunes[::2]), ("others", tunes[1::2])):
        good: dict[str, list[bool]] = defaultdict(list)
        right_meter: dict[str, list[bool]] = defaultdict(list)
        wrong: Counter[tuple[str, str, str]] = Counter()
        for meter, melody in some_tunes:
            line, pickup, part = example(melody)
            got = find_pickup(line, Meter.parse(meter), part)
            good[meter].append(got * 4 == pickup)
            wrong[meter, str(Fraction(pickup, 4)), str(got)] += not good[meter][-1]
            right_meter[meter].append(str(find_meter(line, part)[0]) == meter)
        for what, of in (("pickup", good), ("meter", right_meter)):
            print(name, what, {meter: f"{sum(some)} of {len(some)}" for meter, some in of.items()})
        print("  wrong: meter, written, found:", [one for one in wrong.most_common() if one[1]])


if __name__ == "__main__":
    main()
