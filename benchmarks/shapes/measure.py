"""How fast the left hand is solved, whether the path is the best, and how much easier it is than chord by chord.

    python benchmarks/shapes/measure.py [--progressions 10000]

Prints the figures of README.md. The reference for the path is librosa.sequence.viterbi, an independent implementation of
the same dynamic programming, given the same costs as probabilities; it is timed in the same run.
"""

import argparse
import math
import random
import statistics
import time
from itertools import pairwise

import librosa
import numpy as np

from underbow.fiddle.shapes.change import change_cost, crossing, jumping
from underbow.fiddle.shapes.cost import cost_of
from underbow.fiddle.shapes.path import Step, path_cost, solve
from underbow.fiddle.shapes.search import shapes_for
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord
from underbow.theory.pitch import PitchClass

FIDDLE = Tuning.parse("GDAE")
LOW = (0, 1)
QUALITIES = ("", "", "m", "7", "m7", "dim", "sus4", "9")
# Changes as fifths above the tonic and quality: I IV V I, and the commonest of 1021 dance tunes with chord symbols (counted in
# github.com/jukedeck/nottingham-dataset).
CHANGES = {
    "I IV V I": "0 -1 1 0",
    "V I": "1 0",
    "I V": "0 1",
    "I IV": "0 -1",
    "IV I": "-1 0",
    "ii V": "2m 1",
    "IV V": "-1 1",
    "V i": "1 0m",
    "bVII i": "-2 0m",
    "i bVII": "0m -2",
    "i V": "0m 1",
    "bVII bIII": "-2 -3",
    "I vi IV V": "0 3m -1 1",
    "I bVII IV I": "0 -2 -1 0",
}
KEYS = ["G", "D", "A", "C", "E", "F", "Bb", "B", "Eb", "Ab", "Db", "F#"]


def progression(rng, length, seconds=None):
    return [
        Step(
            Chord(PitchClass.at_fifths(rng.randint(-5, 6)), rng.choice(QUALITIES)),
            seconds or rng.choice((0.5, 1.0, 2.0)),
        )
        for _ in range(length)
    ]


def many(count):
    rng = random.Random(1)
    begin = time.process_time()
    chords = 0
    for _ in range(count):
        steps = progression(rng, 200)
        chords += sum(shape is not None for shape in solve(steps, FIDDLE, LOW).shapes)
    seconds = time.process_time() - begin
    each = 1000 * seconds / count
    print(f"{count} random progressions of 200 chords, {chords} shapes: {seconds:.1f} s of CPU, {each:.2f} ms each")


def growth():
    rng = random.Random(2)
    print("chords      ms   µs a chord")
    for length in (100, 400, 1600, 6400, 25600):
        steps = progression(rng, length)
        solve(steps, FIDDLE, LOW)  # every pair of chords weighed once
        times = []
        for _ in range(5):
            begin = time.process_time()
            solve(steps, FIDDLE, LOW)
            times.append(time.process_time() - begin)
        print(f"{length:>6} {1000 * min(times):>7.1f} {1e6 * min(times) / length:>12.1f}")


def reference(count=20, length=200):
    """The same optimum by librosa: costs as probabilities, a sink state to make the rows sum to one."""
    rng = random.Random(3)
    ours = theirs = 0.0
    worst = 0.0
    for trial in range(count + 1):  # the first one warms both up
        steps = progression(rng, length, seconds=1.0)
        chords = list(dict.fromkeys(step.chord for step in steps))
        states = [(chord, shape) for chord in chords for shape in shapes_for(chord, FIDDLE, LOW)]
        own = np.array([cost_of(shape, chord, others=chords).total for chord, shape in states])
        change = np.array([[change_cost(a, b).total for _, b in states] for _, a in states])
        rows = np.zeros((len(states) + 1, len(states) + 1))
        rows[:-1, :-1] = np.exp(-change) / len(states)
        rows[:, -1] = 1.0 - rows.sum(axis=1)
        seen = np.zeros((len(states) + 1, length))
        for t, step in enumerate(steps):
            seen[:-1, t] = [
                math.exp(-cost) if chord == step.chord else 0.0 for (chord, _), cost in zip(states, own, strict=True)
            ]
        begin = time.process_time()
        solution = solve(steps, FIDDLE, LOW)
        middle = time.process_time()
        path = librosa.sequence.viterbi(seen, rows)
        end = time.process_time()
        if trial:
            ours += middle - begin
            theirs += end - middle
        worst = max(worst, abs(path_cost(steps, [states[i][1] for i in path]) - solution.cost))
    print(
        f"{count} progressions of {length} chords against librosa {librosa.__version__} sequence.viterbi: same cost within "
        f"{worst:.1e}; ours {1000 * ours / count:.1f} ms, librosa's search {1000 * theirs / count:.1f} ms, "
        f"ratio {ours / theirs:.3f}"
    )


def easier():
    print("changes        alone   path  easier  fingers leaving their string  shapes in G")
    total = [0.0, 0.0]
    for name, text in CHANGES.items():
        alone, together, jumps = [], [], [0, 0]
        for key in KEYS:
            tonic = PitchClass.parse(key).fifths
            chords = [
                Chord(PitchClass.at_fifths(tonic + int(word.rstrip("m"))), "m" if word.endswith("m") else "")
                for word in text.split()
            ]
            steps = [Step(chord, 1.0) for chord in chords]
            first = [shapes_for(chord, FIDDLE, LOW, others=chords)[0] for chord in chords]
            path = solve(steps, FIDDLE, LOW).shapes
            alone.append(path_cost(steps, first))
            together.append(path_cost(steps, path))
            for i, shapes in enumerate((first, path)):
                jumps[i] += sum(len(jumping(a, b) + crossing(a, b)) for a, b in pairwise(shapes))
            if key == "G":
                example = f"{' '.join(map(str, first))} -> {' '.join(map(str, path))}"
        before, after = statistics.mean(alone), statistics.mean(together)
        total[0] += before
        total[1] += after
        easier = 100 * (1 - after / before)
        print(f"{name:<12} {before:>7.2f} {after:>6.2f} {easier:>6.0f}% {jumps[0]:>12} -> {jumps[1]:<12}  {example}")
    print(f"{'all':<12} {total[0]:>7.2f} {total[1]:>6.2f} {100 * (1 - total[1] / total[0]):>6.0f}%")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--progressions", type=int, default=10_000)
    many(parser.parse_args().progressions)
    growth()
    reference()
    easier()
