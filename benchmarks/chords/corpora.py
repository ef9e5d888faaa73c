"""Chords for every tune of O'Neill's and Ryan's collections, as music21 carries them: that each has some, and how long it takes.

PYTHONPATH=src python benchmarks/chords/corpora.py
"""

from __future__ import annotations

import statistics
import time
from collections import Counter
from pathlib import Path

import music21

from underbow.tune.abc.reader import read_abc
from underbow.tune.harmony.harmonise import harmonise

ROOT = Path(music21.__file__).parent / "corpus"


def main() -> None:
    for folder in ("oneills1850", "ryansMammoth"):
        tunes = [
            tune
            for path in sorted((ROOT / folder).glob("*.abc"))
            for tune in read_abc(path.read_bytes().decode("latin-1"))
            if any(measure.notes for measure in tune.measures)
        ]
        harmonise(tunes[0])
        times, sure, different, faults = [], [], Counter(), 0
        for tune in tunes:
            before = time.process_time()
            try:
                found = harmonise(tune)
            except Exception as fault:
                faults += 1
                print(folder, tune.number, tune.title, repr(fault))
                continue
            times.append(1000 * (time.process_time() - before))
            sure.append(found.sureness)
            different[len(found.progression.chords)] += 1
        times.sort()
        print(f"{folder}: {len(times)} tunes, {faults} without chords")
        print(f"  processor time in ms: mean {statistics.mean(times):.2f}, median {statistics.median(times):.2f},",
              f"95 % under {times[int(0.95 * len(times))]:.2f}, at most {times[-1]:.2f}")  # fmt: skip
        print(
            f"  mean sureness {statistics.mean(sure):.3f}; tunes by number of different chords {sorted(different.items())}"
        )


if __name__ == "__main__":
    main()
