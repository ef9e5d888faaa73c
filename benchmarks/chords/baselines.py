"""What a chooser of chords must beat, and how its choices are counted: per beat, root only and root with its third."""

from __future__ import annotations

from collections import Counter

import numpy as np
from collection import Example

from underbow.tune.harmony.model import CHORDS, NAMES


def agreement(examples: list[Example], chosen: list[np.ndarray]) -> tuple[float, float]:
    """Share of beats with the written root, and with root and third."""
    beats = [(int(c), int(chords[n])) for e, chords in zip(examples, chosen, strict=False) for n, c in e.beats]
    return (
        float(np.mean([a // 2 == b // 2 for a, b in beats])),
        float(np.mean([a == b for a, b in beats])),
    )


def confusions(examples: list[Example], chosen: list[np.ndarray]) -> None:
    """Print the commonest disagreements, as shares of all beats of the mode."""
    for minor, mode in enumerate(("major", "minor")):
        pairs = Counter(
            (int(c), int(chords[n]))
            for e, chords in zip(examples, chosen, strict=False)
            if e.minor == minor
            for n, c in e.beats
        )
        total = sum(pairs.values()) or 1
        wrong = [(n, a, b) for (a, b), n in pairs.items() if a // 2 != b // 2]
        right = sum(n for (a, b), n in pairs.items() if a // 2 == b // 2)
        print(f"{mode}: {total} beats, {right / total:.1%} right;",
              ", ".join(f"{NAMES[a]} as {NAMES[b]} {n / total:.1%}" for n, a, b in sorted(wrong, reverse=True)[:14]))  # fmt: skip


def tonic(example: Example) -> np.ndarray:
    return np.full(len(example.seen.units), example.minor)


def counts(example: Example) -> np.ndarray:
    """How many notes begin in each unit, by semitones above the tonic."""
    out = np.zeros((len(example.seen.units), 12))
    at: dict[int, list[int]] = {}
    for n, unit in enumerate(example.seen.units):
        at.setdefault(unit.measure, []).append(n)
    for i, measure in enumerate(example.tune.measures):
        for note in measure.notes:
            for n in at.get(i, ()):
                unit = example.seen.units[n]
                if unit.start - 1e-6 <= float(note.start) < unit.end - 1e-6:
                    out[n, (note.midi - unit.tonic) % 12] += 1
    return out


def three_chords(example: Example) -> np.ndarray:
    """For each unit the one of I, IV, V that has most of its notes."""
    chords = (0 + example.minor, 10 + example.minor, 14)
    tones = [[(c // 2 + k) % 12 for k in (0, 4 - c % 2, 7)] for c in chords]
    notes = counts(example)
    return np.array(chords)[np.argmax([notes[:, t].sum(1) for t in tones], axis=0)]


def hidden_markov(examples: list[Example], train: list[int], test: list[int]) -> list[np.ndarray]:
    """A first-order hidden Markov model on half bars: counted moves and notes (each count + 0.1), the best path."""
    moves, notes, first = (np.full(s, 0.1) for s in ((2, CHORDS, CHORDS), (2, CHORDS, 12), (2, CHORDS)))
    seen = {i: counts(examples[i]) for i in (*train, *test)}
    for i in train:
        e, before = examples[i], -1
        for row, chord in zip(seen[i], e.chords, strict=False):
            if chord < 0:
                continue
            notes[e.minor, chord] += row
            if before < 0:
                first[e.minor, chord] += 1
            else:
                moves[e.minor, before, chord] += 1
            before = chord
    log = [np.log(t / t.sum(-1, keepdims=True)) for t in (moves, notes, first)]
    out = []
    for i in test:
        m = examples[i].minor
        fits = seen[i] @ log[1][m].T
        best, back = log[2][m] + fits[0], []
        for row in fits[1:]:
            ways = best[:, None] + log[0][m]
            back.append(ways.argmax(0))
            best = ways.max(0) + row
        path = [int(best.argmax())]
        for step in reversed(back):
            path.append(int(step[path[-1]]))
        out.append(np.array(path[::-1]))
    return out


def table(examples: list[Example], fold: np.ndarray, tried: set[int]) -> dict[str, tuple[float, float]]:
    """Measure the three baselines on the same tunes."""
    some = [examples[i] for i in sorted(tried)]
    markov: dict[int, np.ndarray] = {}
    for number in sorted({int(fold[i]) for i in tried}):
        test = [i for i in sorted(tried) if fold[i] == number]
        train = [i for i in range(len(examples)) if fold[i] != number]
        markov |= dict(zip(test, hidden_markov(examples, train, test), strict=False))
    return {
        "always the tonic": agreement(some, [tonic(e) for e in some]),
        "best of I, IV, V by notes": agreement(some, [three_chords(e) for e in some]),
        "hidden Markov model": agreement(some, [markov[i] for i in sorted(tried)]),
    }
