"""Ten thousand seeds: every tune held against what is promised of it.

    PYTHONPATH=src:tests/tune/melody python benchmarks/compose/seeds.py [--seeds 10000]

Range, whole bars, chord notes on the strong beats (85 % at least), phrases that end on the chord, the last note on the tonic.
The checks are those of the tests; keys, meters, chords and dances go round.
"""

from __future__ import annotations

import argparse
import time

from test_compose import ROUNDS, check, strong_share

from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.theory.progression import Progression
from underbow.tune.melody.compose import compose

DANCED = (("4/4", "reel"), ("6/8", "jig"), ("9/8", "slip jig"), ("3/4", "waltz"), ("2/4", "polka"), ("C|", "hornpipe"),
          ("4/4", "march"), ("3/4", "air"))  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", type=int, default=10_000)
    count = parser.parse_args().seeds
    keys = sorted(ROUNDS)
    faults, least, shares, off, began = 0, 1.0, 0.0, 0, time.process_time()
    for seed in range(count):
        key = Key.parse(keys[seed % len(keys)])
        meter, dance = DANCED[seed // len(keys) % len(DANCED)]
        tune = compose(
            Progression.parse(ROUNDS[keys[seed % len(keys)]]), Meter.parse(meter), key, seed=seed, dance=dance
        )
        try:
            check(tune)
            for number in range(3, len(tune.measures), 4):
                chord = tune.measures[number].chords[-1].chord
                assert chord is not None
                assert tune.measures[number].notes[-1].midi % 12 in chord.numbers[:3]
        except AssertionError as fault:
            faults += 1
            print("seed", seed, meter, dance, key, str(fault)[:80])
        share = strong_share(tune)
        least, shares = min(least, share), shares + share
        off += tune.measures[-1].notes[-1].midi % 12 != key.tonic.number
    seconds = (time.process_time() - began) / count
    print(
        f"{count} seeds, {faults} faults; strong beats on the chord: {shares / count:.1%} on average, {least:.1%} at least;"
    )
    print(f"last note not the tonic: {off}; {1000 * seconds:.1f} ms of the processor a tune, checks included")


if __name__ == "__main__":
    main()
