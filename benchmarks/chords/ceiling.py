"""How far the collection agrees with itself: the ceiling for anyone who guesses its chords.

    PYTHONPATH=src:benchmarks/chords python benchmarks/chords/ceiling.py FOLDER

Three ways to ask: bars with the same notes inside one tune; those whose neighbours are the same too; and such bars in two
versions of a tune under two titles or from two players (versions with the very same chords are copies, and left out).
"""

from __future__ import annotations

import sys
from collections import defaultdict
from itertools import combinations
from pathlib import Path

import numpy as np
from collection import Example, load


def bars(example: Example) -> list[tuple[object, tuple[int, ...]]]:
    """Give each bar's notes (counted from the tonic) and the roots of its beats."""
    roots: dict[int, list[int]] = defaultdict(list)
    for n, chord in example.beats:
        roots[example.seen.units[n].bar].append(chord // 2)
    keys: dict[int, list[int]] = defaultdict(list)
    for n, unit in enumerate(example.seen.units):
        keys[unit.bar].append(n)
    out = []
    for bar, units in keys.items():
        first = example.seen.units[units[0]]
        notes = example.tune.measures[first.measure].notes
        body = tuple((note.start, note.length, note.midi - first.tonic) for note in notes)
        out.append((body, tuple(roots[bar])))
    return out


def main() -> None:
    examples = load(Path(sys.argv[1]))
    every = [bars(example) for example in examples]
    inside, context = [], []
    for tune in every:
        for (i, (a, x)), (j, (b, y)) in combinations(enumerate(tune), 2):
            if a == b and len(x) == len(y) and x:
                same = [p == q for p, q in zip(x, y, strict=True)]
                inside += same
                around = [tune[k + d][0] if 0 <= k + d < len(tune) else None for k in (i, j) for d in (-1, 1)]
                if around[:2] == around[2:]:
                    context += same
    print(f"same bar in one tune: {np.mean(inside):.1%} of {len(inside)} beats")
    print(f"its neighbours the same too: {np.mean(context):.1%} of {len(context)} beats")
    moves = []
    for example in examples:
        midi = np.diff([note.midi for measure in example.tune.measures for note in measure.notes])
        moves.append({tuple(midi[k : k + 6]) for k in range(len(midi) - 5)})
    versions = []
    for i, j in combinations(range(len(examples)), 2):
        least = min(len(moves[i]), len(moves[j]))
        if least and len(moves[i] & moves[j]) >= 0.6 * least:
            other = defaultdict(list)
            for body, roots in every[j]:
                other[body].append(roots)
            pairs = [(x, other[a][0]) for a, x in every[i] if a in other and len(x) == len(other[a][0])]
            same = [p == q for x, y in pairs for p, q in zip(x, y, strict=True)]
            if same and not all(same):
                versions += same
    print(f"same bar in another version of the tune: {np.mean(versions):.1%} of {len(versions)} beats")


if __name__ == "__main__":
    main()
