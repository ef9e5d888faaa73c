"""Make src/underbow/ear/writing/barlines.json again, and measure it.

    python benchmarks/recording/barlines.py FOLDER [--write] [--pages]

FOLDER holds tunebooks in ABC. Every second tune that ``measure.py`` may draw is counted, and what it never draws (short tunes,
songs without parts); the tunes between them are for measuring alone. In five parts, the weights are found on what was counted
in the other four. What is maximised is how likely the meters and pickups are that are written, each meter having the same say.
Nothing is played: the notes are taken as they are written, from the first one on. With ``--pages`` every fifth of the others is
written down as a page, too, from notes that are up to some 16 ms early or late.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter, defaultdict
from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
from measure import PACE, bars_alike, collected, drawable
from numpy.typing import NDArray
from scipy.optimize import minimize

from underbow.ear.writing.barlines import (
    COUNTED,
    KINDS,
    SEEN,
    STEPS,
    TRIED,
    WHOLE,
    Tables,
    bars_long,
    claims,
    find_meter,
    find_pickup,
    lengthened,
    signs,
)
from underbow.ear.writing.form import part_length
from underbow.ear.writing.notes import Sounding
from underbow.ear.writing.write import from_notes
from underbow.theory.meter import Meter
from underbow.tune.midi.quantise import Played
from underbow.tune.tune import Melody, Tune

OUT = Path(__file__).parents[2] / "src" / "underbow" / "ear" / "writing" / "barlines.json"
SMOOTHED = 4.0  # signs that are taken for seen
MISSED = 0.01  # share of steps that may be anything: a note was left out, or wrongly heard
FOLDS, SHRUNK = 5, 0.05
JITTER, PAGES = 0.008, 20  # seconds (standard deviation); tunes of a meter that are all taken
LEAST = 24  # notes of a tune that is counted
Array = NDArray[np.float64]
Example = tuple[list[Played], int, Fraction | None]  # a line, its pickup in sixteenths, its part


def example(melody: Melody) -> Example:
    first = melody.notes[0].start
    line = [Played(note.start - first, note.end - first, note.midi) for note in melody.notes]
    bar = melody.full_bars[0]
    return line, round((bar.start - first) % bar.length * 4), part_length(line)


def counted(examples: Sequence[Example], bar: int, long: dict[str, float]) -> Tables:
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
    return Tables(dict.fromkeys(KINDS, 1.0), tables, np.log(usual / usual.sum()), long)


def stepped(examples: Sequence[Example], bar: int) -> Array:
    """For each sixteenth of a bar, logarithms of the shares of the steps from a note to the next: 1 to ``STEPS`` sixteenths.

    Where few notes begin, a step is as usual as its length is, and as it is for a note to begin where it leads.
    """
    found, begun = np.zeros((bar, STEPS)), np.full(bar, 0.5)
    for line, pickup, _ in examples:
        places = [round(note.start * 4) - pickup for note in line]
        for place, after in pairwise(places):
            if 1 <= after - place <= STEPS:
                found[place % bar, after - place - 1] += 1
                begun[after % bar] += 1
    there = begun[(np.arange(bar)[:, None] + np.arange(1, STEPS + 1)) % bar]
    usual = (found.sum(axis=0) + 0.5) * there
    usual /= usual.sum(axis=1, keepdims=True)
    shares = (found + SMOOTHED * usual) / (found.sum(axis=1, keepdims=True) + SMOOTHED)
    return np.asarray(np.log((1 - MISSED) * shares + MISSED / STEPS))


def usually_long(examples: dict[str, list[Example]]) -> dict[str, float]:
    """Logarithms of the share of parts that are so long, over all meters, each having the same say."""
    found = Counter(dict.fromkeys((*map(str, WHOLE), "others", "none"), 1.0))
    for meter, some in examples.items():
        parts = [part for _, _, part in some if part is not None]
        for part in parts:
            found[bars_long(part, sixteenths(meter))] += 100 / len(parts)
    return {what: float(np.log(share / found.total())) for what, share in found.items()}


def all_tables(examples: dict[str, list[Example]]) -> dict[str, Tables]:
    """What was counted for each meter that is tried; 9/8 takes it from 6/8."""
    long = usually_long(examples)
    out = {meter: counted(some, sixteenths(meter), long) for meter, some in examples.items()}
    places, six = lengthened(Meter.parse("6/8"), sixteenths("9/8")), out["6/8"]
    out["9/8"] = Tables(six.weights, {sign: row[places] for sign, row in six.signs.items()}, six.usual[places], long)
    return out


def sixteenths(meter: str) -> int:
    return round(Meter.parse(meter).bar * 4)


def weights(rows: Sequence[Array], right: Sequence[int], say: Sequence[float]) -> Array:
    """Weights of the kinds, none below 0, under which the right ones are likeliest (a logistic regression).

    They are held near 0, but that of a part's length near 1: each tune says it once, so its share counts as it stands.
    """
    towards = np.array([kind == "long" for kind in KINDS], float)

    def surprise(now: Array) -> tuple[float, Array]:
        off = now - towards
        whole, slope = SHRUNK * sum(say) * float(off @ off), 2 * SHRUNK * sum(say) * off
        for row, at, much in zip(rows, right, say, strict=True):
            merit = row @ now
            shares = np.exp(merit - merit.max())
            shares /= shares.sum()
            whole -= much * float(np.log(shares[at] + 1e-12))
            slope = slope + much * (shares @ row - row[at])
        return whole, slope

    found = minimize(surprise, np.full(len(KINDS), 0.1), jac=True, bounds=[(0, None)] * len(KINDS), method="L-BFGS-B")
    return np.asarray(found.x)


def pages(tunes: Sequence[tuple[int, str, Tune, Melody]]) -> None:
    """Measure pages from notes without sound: bars as they are, the key, and the key but for its mode."""
    alike: dict[str, list[float]] = defaultdict(list)
    keys, nearly = [], []
    for number, meter, tune, melody in tunes:
        rng = np.random.default_rng(500 + number)
        quarter = 60 / float(rng.uniform(*PACE[meter]))
        begins = [quarter * float(note.start) + rng.normal(0, JITTER) for note in melody.notes]
        ends = [*(quarter * float(note.end) - 0.01 for note in melody.notes)]
        ends = [min(end, begin) for end, begin in zip(ends, [*begins[1:], ends[-1]], strict=True)]
        notes = [Sounding(*one, note.midi, 1.0) for *one, note in zip(begins, ends, melody.notes, strict=True)]
        got = from_notes(notes, "page").tune
        alike[meter].append(bars_alike(got, tune))
        keys.append(got.key == tune.key)
        nearly.append((got.key.tonic, got.key.is_minor) == (tune.key.tonic, tune.key.is_minor))
        if alike[meter][-1] < 0.8 or not keys[-1]:
            print(f"  {number} {meter} {tune.title}: bars {alike[meter][-1]:.2f}, {tune.key} as {got.key}, {got.meter}")
    print("pages", {meter: f"{np.mean(some):.2f} of {len(some)}" for meter, some in alike.items()})
    print(f"key {np.mean(keys):.3f}, tonic and third {np.mean(nearly):.3f}")


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("folder", type=Path)
    asked.add_argument("--write", action="store_true")
    asked.add_argument("--pages", action="store_true")
    options = asked.parse_args()
    every = list(collected(options.folder))
    tunes = [one for one in every if drawable(one[2])]
    never = [one for one in every if not drawable(one[2]) and len({bar.meter for bar in one[2].bars}) == 1]
    if options.write:
        training: dict[str, list[Example]] = defaultdict(list)
        for meter, _, melody in tunes[::2] + never:
            if meter in COUNTED and len(melody.notes) >= LEAST:
                training[meter].append(example(melody))
        training = {meter: [one for one in some if one[1] % 2 == 0] for meter, some in training.items()}
        write(training)
    for name, some_tunes in (("counted", tunes[::2]), ("others", tunes[1::2])):
        good: dict[str, list[bool]] = defaultdict(list)
        right_meter: dict[str, list[bool]] = defaultdict(list)
        wrong: Counter[tuple[str, str, str]] = Counter()
        for meter, _, melody in some_tunes:
            line, pickup, part = example(melody)
            got = find_pickup(line, Meter.parse(meter), part)
            good[meter].append(got * 4 == pickup)
            wrong[meter, str(Fraction(pickup, 4)), str(got)] += not good[meter][-1]
            right_meter[meter].append(str(find_meter(line, part)[0]) == meter)
        for what, of in (("pickup", good), ("meter", right_meter)):
            print(name, what, {meter: f"{sum(some)} of {len(some)}" for meter, some in of.items()})
        print("  wrong: meter, written, found:", [one for one in wrong.most_common() if one[1]])
    if options.pages:
        numbered = [(number, *one) for number, one in enumerate(tunes)]
        others: dict[str, list[tuple[int, str, Tune, Melody]]] = defaultdict(list)
        for one in numbered[1::2]:
            others[one[1]].append(one)
        pages([one for some in others.values() for one in some[:: 5 if len(some) > PAGES else 1]])


def write(training: dict[str, list[Example]]) -> None:
    """Count, find the weights, and write both down."""
    rows: list[Array] = []
    right: list[int] = []
    say: list[float] = []
    for fold in range(FOLDS):
        rest = {meter: [one for at, one in enumerate(some) if at % FOLDS != fold] for meter, some in training.items()}
        tables = all_tables(rest)
        for meter, some in training.items():
            before = sum(sixteenths(other) // 2 for other in TRIED[: TRIED.index(meter)])
            for line, pickup, part in some[fold::FOLDS]:
                rows.append(np.concatenate([claims(line, tables[other], part) for other in TRIED]))
                right.append(before + pickup // 2)
                say.append(1 / len(some))
    found = dict(zip(KINDS, weights(rows, right, say).round(3).tolist(), strict=True))
    kept: dict[str, object] = {}
    for meter in COUNTED:
        table = all_tables(training)[meter]
        kept[meter] = {
            "usual": hundredths(table.usual),
            "signs": {
                kind: {what: hundredths(row) for (other, what), row in sorted(table.signs.items()) if other == kind}
                for kind in SEEN
            },
            "steps": [hundredths(row) for row in stepped(training[meter], sixteenths(meter))],
        }
    long = {what: round(100 * share) for what, share in usually_long(training).items()}
    OUT.write_text(json.dumps({"weights": found, "long": long, "meters": kept}, separators=(",", ":")) + "\n")
    print(found, long)


def hundredths(row: Array) -> list[int]:
    return [round(100 * float(one)) for one in row]


if __name__ == "__main__":
    main()
