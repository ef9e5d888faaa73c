"""What the left hand is given: shapes without seconds, one for each chord, the best path; and how fast it is found.

    python benchmarks/shapes/measure.py [--progressions 5000]

Prints the figures of README.md. The reference for the path is librosa.sequence.viterbi, an independent implementation of
dynamic programming, given the same costs as probabilities; it is timed in the same run. It knows no price for second shapes,
so the comparison is made with the hand that takes what lies nearest; with the price, brute force is the reference.
"""

import argparse
import math
import random
import time
from dataclasses import replace
from itertools import pairwise, product

import librosa
import numpy as np

from underbow.fiddle.shapes.change import change_cost
from underbow.fiddle.shapes.cost import HANDS, WEIGHTS, cost_of
from underbow.fiddle.shapes.path import Step, path_cost, second_shapes, solve
from underbow.fiddle.shapes.search import shapes_for
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord
from underbow.theory.pitch import PitchClass

FIDDLE = Tuning.parse("GDAE")
LOW = (0, 1)
QUALITIES = ("", "", "m", "7", "m7", "dim", "sus4", "9")


def progression(rng, length, seconds=None):
    return [
        Step(
            Chord(PitchClass.at_fifths(rng.randint(-5, 6)), rng.choice(QUALITIES)),
            seconds or rng.choice((0.5, 1.0, 2.0)),
        )
        for _ in range(length)
    ]


def seconds_apart(shape):
    return any(abs(a - b) % 12 in (1, 2) for a, b in pairwise(shape.midi))


def combinations():
    """60 chords on three pairs of strings in four tunings, each alone."""
    found = thirds = sevenths = 0
    for name, pair, fifths, quality in product(
        ("GDAE", "AEAE", "ADAE", "GDGD"), ((0, 1), (1, 2), (2, 3)), range(-5, 7), ("", "m", "7", "m7", "maj7")
    ):
        chord = Chord(PitchClass.at_fifths(fifths), quality)
        (shape,) = solve([Step(chord, 1.0)], Tuning.parse(name), pair).shapes
        degrees = {*shape.degrees(chord)}
        found += seconds_apart(shape)
        sevenths += "7" in quality
        thirds += "7" in quality and bool(degrees & {"3", "b3"}) and bool(degrees & {"1", "7", "b7"})
    print(
        f"720 combinations: {found} seconds; {thirds} of {sevenths} seventh chords with third and seventh or root and third"
    )


DEGREES = ["0", "1", "-1", "2m", "3m", "4m", "-2", "1_7", "2_7", "0_7", "0m", "-3", "-1m"]


def drawn(rng):
    """A progression in some key: 2 to 8 chords of its own, 8 to 64 changes, one to four of them in a bar of two seconds."""
    tonic, pool = rng.randint(-5, 6), rng.sample(DEGREES, rng.randint(2, 8))
    chords = []
    for word in pool:
        fifths = tonic + int(word.rstrip("m").split("_")[0])
        quality = "7" if "_" in word else "m" if word.endswith("m") else ""
        chords.append(Chord(PitchClass.at_fifths((fifths + 5) % 12 - 5), quality))
    weights = [rng.random() + 0.1 for _ in chords]
    played = rng.choices(chords, weights, k=rng.choice((8, 16, 32, 64)))
    return [Step(chord, rng.choice((0.5, 1.0, 1.0, 2.0))) for chord in played]


def many(count):
    """Random progressions: seconds, second shapes, proofs, time; and the same with the hand that takes what lies nearest."""
    for hand in HANDS:
        rng = random.Random(1)
        seconds = second = steps = divided = proved = 0
        times = []
        for _ in range(count):
            played, pair = drawn(rng), rng.choice(((0, 1), (0, 1), (1, 2), (2, 3)))
            begin = time.process_time()
            found = solve(played, FIDDLE, pair, around=True, weights=HANDS[hand])
            times.append(1000 * (time.process_time() - begin))
            here = second_shapes(played, found.shapes)
            seconds += sum(map(seconds_apart, found.shapes))
            second, divided, steps, proved = (
                second + here,
                divided + bool(here),
                steps + len(played),
                proved + found.proved,
            )
        times.sort()
        print(
            f"{hand}: {count} progressions, {steps} chords: {seconds} seconds; {second} chords ({second / steps:.2%}) "
            f"in a second shape, in {divided} progressions; {proved} proved best; median {times[count // 2]:.1f} ms, "
            f"99 % under {times[int(0.99 * count)]:.1f} ms, at most {times[-1]:.1f} ms"
        )


def brute_force(count=100):
    """Every path of small progressions, with second shapes cheap and dear."""
    rng = random.Random(4)
    worst, tried = 0.0, 0
    while tried < count:
        pool = [Chord(PitchClass.at_fifths(rng.randint(-4, 5)), rng.choice(["", "m", "7"])) for _ in range(2)]
        steps = [Step(rng.choice(pool), rng.choice((0.4, 1.0, 2.0))) for _ in range(rng.randint(3, 6))]
        choices = [[s for s in shapes_for(step.chord, FIDDLE, LOW) if not seconds_apart(s)] for step in steps]
        if math.prod(map(len, choices)) > 1_500:
            continue
        weights = replace(
            WEIGHTS, again=rng.choice((0.3, 1.0, 4.0)), jumps=rng.choice((0.9, 5.0)), crosses=rng.choice((0.5, 5.0))
        )
        options = {"around": rng.random() < 0.5, "weights": weights}
        found = solve(steps, FIDDLE, LOW, **options)
        least = min(path_cost(steps, path, **options) for path in product(*choices))
        worst, tried = max(worst, abs(least - found.cost)), tried + 1
    print(f"{count} small progressions against every path there is: the same cost within {worst:.0e}")


TWENTY = (
    "G C D G", "D G A D", "A D E A", "C F G C", "G Em C D", "D Bm G A", "G C G D7 G", "A D A E7 A", "Em D Em D Em",
    "Am G Am G F G Am", "Dm C Dm C Am Dm", "D C D C G D", "G F G F C G", "Bm A Bm G A Bm", "Bb Eb F7 Bb", "Eb Ab Bb7 Eb",
    "F# B C#7 F#", "F Bb C7 F Dm Gm C7 F", "C Am Dm G7 C", "E A B7 E C#m F#m B7 E",
)  # fmt: skip


def looked_at():
    for text in TWENTY:
        steps = [Step(Chord.parse(symbol), 1.0) for symbol in text.split()]
        print(f"{text:<24}", *solve(steps, FIDDLE, LOW, around=True).shapes)


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
    rng, weights = random.Random(3), HANDS["nearest"]
    ours = theirs = 0.0
    worst = 0.0
    for trial in range(count + 1):  # the first one warms both up
        steps = progression(rng, length, seconds=1.0)
        chords = list(dict.fromkeys(step.chord for step in steps))
        states = [
            (chord, shape) for chord in chords for shape in shapes_for(chord, FIDDLE, LOW) if not seconds_apart(shape)
        ]
        own = np.array([cost_of(shape, chord, others=chords, weights=weights).total for chord, shape in states])
        change = np.array([[change_cost(a, b, weights).total for _, b in states] for _, a in states])
        rows = np.zeros((len(states) + 1, len(states) + 1))
        rows[:-1, :-1] = np.exp(-change) / len(states)
        rows[:, -1] = 1.0 - rows.sum(axis=1)
        seen = np.zeros((len(states) + 1, length))
        for t, step in enumerate(steps):
            seen[:-1, t] = [
                math.exp(-cost) if chord == step.chord else 0.0 for (chord, _), cost in zip(states, own, strict=True)
            ]
        begin = time.process_time()
        solution = solve(steps, FIDDLE, LOW, weights=weights)
        middle = time.process_time()
        path = librosa.sequence.viterbi(seen, rows)
        end = time.process_time()
        if trial:
            ours += middle - begin
            theirs += end - middle
        worst = max(worst, abs(path_cost(steps, [states[i][1] for i in path], weights=weights) - solution.cost))
    print(
        f"{count} progressions of {length} chords against librosa {librosa.__version__} sequence.viterbi: same cost within "
        f"{worst:.1e}; ours {1000 * ours / count:.1f} ms, librosa's search {1000 * theirs / count:.1f} ms, "
        f"ratio {ours / theirs:.3f}"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--progressions", type=int, default=5_000)
    combinations()
    many(parser.parse_args().progressions)
    brute_force()
    growth()
    reference()
    looked_at()
