"""Make src/underbow/tune/melody/melody.json again: what reels, jigs, waltzes and their kin are made of, as counts.

    PYTHONPATH=src:benchmarks/compose python benchmarks/compose/figures.py

Only the even half of the corpus is counted (see corpus.py): the odd half is what composed tunes are compared with.
"""

from __future__ import annotations

import itertools
import json
from collections import Counter, defaultdict
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import corpus
import distances
import numpy as np

from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.tune.melody.figures import figures_of
from underbow.tune.tune import Tune

OUT = Path(__file__).parents[2] / "src" / "underbow" / "tune" / "melody" / "melody.json"
CELL = {
    "reel": 1,
    "hornpipe": 1,
    "march": 1,
    "air": 1,
    "waltz": 1,
    "polka": 1,
    "jig": Fraction(3, 2),
    "slip jig": Fraction(3, 2),
}
KINDS = ("leap down", "step down", "same", "step up", "leap up")
MOST_STEPS = 9
ROUNDS = 8
TRIED = 80  # tunes composed in a round


def kind(steps: int) -> int:
    """Class a move by scale steps: 0 leap down to 4 leap up."""
    return 2 if steps == 0 else (3 if steps == 1 else 4) if steps > 0 else (1 if steps == -1 else 0)


def place(midi: int, key: Key) -> int:
    """Count scale steps from the lowest tonic; a note between two steps counts as the lower one's neighbour."""
    heights = [(name.number - key.tonic.number) % 12 for name in key.scale]
    octave, height = divmod(midi - key.tonic.number, 12)
    return octave * 7 + max(i for i, h in enumerate(heights) if h <= height)


def rhythm(bar: corpus.Bar, meter: Meter, cell: Fraction) -> list[str] | None:
    """Write a bar's rhythm cell by cell; a note over a cell's end is held ("-") in the next one."""
    cells: list[list[str]] = [[] for _ in range(int(meter.bar / cell))]
    at = Fraction(0)
    for start, whole, _ in bar.notes:
        length = whole
        if start != at or length.denominator not in (1, 2, 4) or start + length > meter.bar:
            return None
        while length > 0:
            number = int(at // cell)
            inside = min(length, (number + 1) * cell - at)
            cells[number].append(("" if at == start else "-") + str(inside))
            at += inside
            length -= inside
    return [" ".join(c) for c in cells] if at == meter.bar else None


def count(dance: str, found: list[Tune]) -> dict[str, object]:
    """Count one dance."""
    cell = Fraction(CELL[dance])
    cells: dict[str, Counter[str]] = defaultdict(Counter)
    moves: dict[str, Counter[int]] = defaultdict(Counter)
    heights: Counter[int] = Counter()
    same: Counter[str] = Counter()
    for tune in found:
        seen: list[object] = []
        written = corpus.bars(tune)
        if len(written) < 8:
            continue
        line: list[tuple[int, bool]] = []
        for bar in written:
            kinds = rhythm(bar, tune.meter, cell)
            where = "end" if bar.number % 4 == 3 else "bar"
            for i, text in enumerate(kinds or ()):
                cells[f"{where} {i}"][text] += 1
            same["bars"] += 1
            same["again"] += bar.notes in seen
            seen.append(bar.notes)
            for start, _, midi in bar.notes:
                heights[midi] += 1
                line.append((place(midi, tune.key), start % cell == 0))
        was = 2
        for (a, _), (b, beat) in itertools.pairwise(line):
            step = max(-MOST_STEPS, min(MOST_STEPS, b - a))
            moves[f"{KINDS[was]}, {'beat' if beat else 'off'}"][step] += 1
            was = kind(step)
    total = sum(heights.values())
    mean = sum(m * n for m, n in heights.items()) / total
    sd = (sum((m - mean) ** 2 * n for m, n in heights.items()) / total) ** 0.5
    return {
        "tunes": len(found),
        "cell": str(cell),
        "bars alike": round(same["again"] / same["bars"], 3),
        "height": [round(mean, 2), round(sd, 2)],
        "rhythm": {name: share(counter, 0.01) for name, counter in sorted(cells.items())},
        "sizes": [1.0] * (MOST_STEPS + 1),
        "spread": {"height": 1.0, "width": [0.0, 0.2], "leaps": 0.2, "density": [0.0, 0.1]},
        "moves": {name: share(counter, 0.0005) for name, counter in sorted(moves.items())},
    }


def share(counter: Counter[str] | Counter[int], least: float) -> dict[str, float]:
    """Turn counts into shares, the rare ones left out."""
    total = sum(counter.values())
    return {
        str(k): round(n / total, 4)
        for k, n in sorted(counter.items(), key=lambda i: (-i[1], str(i[0])))
        if n / total >= least
    }


def sizes(tunes: list[Tune]) -> list[float]:
    """Count moves by their size in scale steps, as shares."""
    found: Counter[int] = Counter()
    for tune in tunes:
        places = [place(note[2], tune.key) for bar in corpus.bars(tune) for note in bar.notes]
        found.update(min(abs(b - a), MOST_STEPS) for a, b in pairwise(places))
    return [(found[n] + 1) / (found.total() + MOST_STEPS) for n in range(MOST_STEPS + 1)]


def corrected(own: dict[str, Any], wanted: distances.Heap, found: distances.Heap) -> dict[str, object]:
    """Correct how much tunes of a dance are to differ, by how much real and composed ones do."""
    spread = own["spread"]

    def factor(name: str) -> float:
        real, ours = (float(np.std(getattr(heap, name))) for heap in (wanted, found))
        return min(max(real / ours, 0.5), 1.6)

    mean, deviation = spread["width"]
    busy, calm = spread["density"]
    missing = float(np.mean(wanted.ranges) - np.mean(found.ranges))
    return {
        "height": round(spread["height"] * factor("heights"), 3),
        "width": [
            round(min(max(mean + 0.06 * missing, -0.7), 0.7), 3),
            round(min(deviation * factor("ranges"), 0.8), 3),
        ],
        "leaps": round(min(spread["leaps"] * factor("leaps"), 1.2), 3),
        "density": [
            round(min(max(busy + 0.15 * float(np.mean(wanted.busy) - np.mean(found.busy)), -1.0), 1.0), 3),
            round(min(calm * factor("busy"), 1.2), 3),
        ],
    }


def heap(tunes: list[Tune]) -> distances.Heap:
    """Count what tunes differ in."""
    out = distances.Heap()
    for tune in tunes:
        out.add(tune)
    return out


def write(made: dict[str, dict[str, Any]]) -> None:
    OUT.write_text(json.dumps(made, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def main() -> None:
    halves = {dance: corpus.halves(list(corpus.tunes(dance)))[0] for dance in corpus.WHERE}
    made: dict[str, dict[str, Any]] = {dance: count(dance, tunes) for dance, tunes in halves.items()}
    real = {dance: (sizes(tunes), heap(tunes)) for dance, tunes in halves.items()}
    chords = {dance: distances.rounds(tunes, TRIED) for dance, tunes in halves.items()}
    write(made)
    for _ in range(ROUNDS):  # compose, see which moves are too rare and in what tunes are too alike, correct it
        figures_of.cache_clear()
        for dance, own in made.items():
            tunes = distances.composed(dance, chords[dance], TRIED)
            wanted, found = real[dance][0], sizes(tunes)
            factors = [f * (w / g) ** 0.8 for f, w, g in zip(own["sizes"], wanted, found, strict=True)]
            own["sizes"] = [round(min(max(f / factors[1], 0.05), 20), 3) for f in factors]
            here = heap(tunes)
            lower = float(np.mean(real[dance][1].heights) - np.mean(here.heights))
            own["height"][0] = round(own["height"][0] + 0.8 * lower, 2)
            own["spread"] = corrected(own, real[dance][1], here)
        write(made)
    for dance, figures in made.items():
        print(dance, figures["tunes"], figures["height"], figures["bars alike"], figures["sizes"], figures["spread"])


if __name__ == "__main__":
    main()
