"""How near composed tunes are to real ones: distances between distributions, with a random walk and another real half as ends.

    PYTHONPATH=src:benchmarks/compose python benchmarks/compose/distances.py [--tunes 200]

Three heaps are held against the odd half of the corpus, which was not counted for the figures: composed tunes, the even half, and
random walks (as many bars, filled with lengths drawn evenly, every note one or two scale steps or none from the one before,
evenly, inside the fiddle's range). Of notes the total variation distance is told (half the sum of differences between shares), of
tunes the Kolmogorov-Smirnov distance; 0 is alike, 1 has nothing in common.
"""

from __future__ import annotations

import argparse
import random
from collections import Counter
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import cycle, pairwise

import corpus
import numpy as np

from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.theory.progression import Changes, Progression
from underbow.tune.harmony.harmonise import harmonise
from underbow.tune.melody.compose import compose
from underbow.tune.tune import Tune

DANCES = ("reel", "jig", "waltz", "hornpipe", "march", "polka", "slip jig")
METER = {
    "reel": "C|",
    "jig": "6/8",
    "slip jig": "9/8",
    "waltz": "3/4",
    "hornpipe": "C|",
    "polka": "2/4",
    "march": "C|",
    "air": "C",
}


@dataclass
class Heap:
    """What is counted of some tunes."""

    intervals: Counter[int] = field(default_factory=Counter)
    lengths: Counter[str] = field(default_factory=Counter)
    ends: Counter[int] = field(default_factory=Counter)
    leaps: list[float] = field(default_factory=list)
    octaves: list[float] = field(default_factory=list)
    ranges: list[float] = field(default_factory=list)
    alike: list[float] = field(default_factory=list)
    busy: list[float] = field(default_factory=list)
    heights: list[float] = field(default_factory=list)

    def add(self, tune: Tune, *, walk: random.Random | None = None) -> None:
        bars = corpus.bars(tune)
        if len(bars) < 8:
            return
        if walk is not None:
            bars = _walked(bars, tune.key, walk)
        midi = [note[2] for bar in bars for note in bar.notes]
        moves = [abs(b - a) for a, b in pairwise(midi)]
        self.intervals.update(min(move, 13) for move in moves)
        self.lengths.update(str(note[1]) for bar in bars for note in bar.notes)
        self.octaves.append(float(np.mean([move >= 12 for move in moves])))
        self.leaps.append(float(np.mean([move > 2 for move in moves])))
        self.ranges.append(max(midi) - min(midi))
        self.busy.append(len(midi) / len(bars))
        self.heights.append(float(np.mean(midi)))
        seen: list[object] = []
        again = 0
        for bar in bars:
            again += bar.notes in seen
            seen.append(bar.notes)
        self.alike.append(again / len(bars))
        last = midi[-1] if walk else tune.measures[-1].notes[-1].midi if tune.measures[-1].notes else midi[-1]
        self.ends[(last - tune.key.tonic.number) % 12] += 1


def _walked(bars: list[corpus.Bar], key: Key, rng: random.Random) -> list[corpus.Bar]:
    scale = sorted(m for m in range(55, 84) if m % 12 in {name.number for name in key.scale})
    at = len(scale) // 2
    out = []
    for bar in bars:
        notes = []
        whole = sum(length for _, length, _ in bar.notes)
        start = Fraction(0)
        while start < whole:
            length = min(rng.choice((Fraction(1, 2), Fraction(1), Fraction(3, 2), Fraction(2))), whole - start)
            at = min(max(at + rng.choice((-2, -1, 0, 1, 2)), 0), len(scale) - 1)
            notes.append((start, length, scale[at]))
            start += length
        out.append(corpus.Bar(tuple(notes), bar.number))
    return out


def composed(dance: str, rounds: list[tuple[Key, Progression]], count: int) -> list[Tune]:
    """Compose tunes over rounds of chords, one after the other."""
    return [
        compose(chords, Meter.parse(METER[dance]), key, seed=seed, dance=dance)
        for seed, (key, chords) in zip(range(count), cycle(rounds))
    ]


def rounds(tunes: list[Tune], most: int) -> list[tuple[Key, Progression]]:
    """Give the key and sixteen bars of the chords suggested for real tunes, for at most so many of them."""
    out: list[tuple[Key, Progression]] = []
    for tune in tunes:
        bars = harmonise(tune).progression.bars[:16]
        if len(bars) == 16 and len(out) < most:
            out.append((tune.key, Progression((Changes("A", bars[:8]), Changes("B", bars[8:])))))
    return out


def variation(a: Counter, b: Counter) -> float:
    total_a, total_b = sum(a.values()), sum(b.values())
    return 0.5 * sum(abs(a[k] / total_a - b[k] / total_b) for k in {*a, *b})


def smirnov(a: list[float], b: list[float]) -> float:
    at = np.array(sorted({*a, *b}))
    shares = [np.searchsorted(np.sort(x), at, side="right") / len(x) for x in (a, b)]
    return float(np.abs(shares[0] - shares[1]).max())


def distances(a: Heap, b: Heap) -> dict[str, float]:
    return {
        "interval sizes": variation(a.intervals, b.intervals),
        "note lengths": variation(a.lengths, b.lengths),
        "final notes": variation(a.ends, b.ends),
        "share of leaps": smirnov(a.leaps, b.leaps),
        "octave leaps": smirnov(a.octaves, b.octaves),
        "range": smirnov(a.ranges, b.ranges),
        "bars that come back": smirnov(a.alike, b.alike),
        "notes a bar": smirnov(a.busy, b.busy),
        "mean height": smirnov(a.heights, b.heights),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--tunes", type=int, default=200)
    args = parser.parse_args()
    print(
        f"{'':28}{'composed':>10}{'real half':>11}{'random walk':>13}   mean and deviation, tune by tune: composed / real / walk"
    )
    for dance in DANCES:
        even, odd = corpus.halves(list(corpus.tunes(dance)))
        heaps = {name: Heap() for name in ("composed", "even", "odd", "walk")}
        for name, tunes in (("even", even), ("odd", odd)):
            for tune in tunes:
                heaps[name].add(tune)
        made = composed(dance, rounds(even, args.tunes), args.tunes)
        for seed, tune in enumerate(made):
            heaps["composed"].add(tune)
            heaps["walk"].add(tune, walk=random.Random(seed))
        told = {name: distances(heaps[name], heaps["odd"]) for name in ("composed", "even", "walk")}
        print(f"{dance}: {len(made)} composed, {len(even)} and {len(odd)} real")
        lists = {
            "share of leaps": "leaps",
            "octave leaps": "octaves",
            "range": "ranges",
            "bars that come back": "alike",
            "notes a bar": "busy",
            "mean height": "heights",
        }
        means = {
            what: [
                f"{np.mean(x):.3g} ± {np.std(x):.2g}"
                for x in (getattr(heaps[n], name) for n in ("composed", "odd", "walk"))
            ]
            for what, name in lists.items()
        }
        for what in told["composed"]:
            numbers = "".join(f"{told[name][what]:11.3f}" for name in ("composed", "even", "walk"))
            nearer = (
                ""
                if told["composed"][what] - told["even"][what] < (told["walk"][what] - told["even"][what]) / 2
                else "  FARTHER"
            )
            print(f"  {what:26}{numbers}{nearer}   " + " / ".join(means.get(what, ())))


if __name__ == "__main__":
    main()
