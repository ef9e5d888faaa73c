"""Chords for every tune of O'Neill's and Ryan's collections, as music21 carries them: that each has some, and how long it takes.

    PYTHONPATH=src python benchmarks/chords/corpora.py
"""

from __future__ import annotations

import statistics
import time
from collections import Counter
from pathlib import Path

import music21

from underbow.tune.abc import read_abc
from underbow.tune.harmonise import harmonise

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
        times, sure, read, different, faults = [], [], [], Counter(), 0
        for tune in tunes:
            wall, before = time.perf_counter(), time.process_time()
            try:
                found = harmonise(tune)
            except Exception as fault:  # noqa: BLE001  counted and shown
                faults += 1
                print(folder, tune.number, tune.title, repr(fault))
                continue
            times.append(1000 * (time.process_time() - before))
            read.append(1000 * (time.perf_counter() - wall))
            sure.append(found.sureness)
            different[len(found.progression.chords)] += 1
        times.sort()
        print(f"{folder}: {len(times)} tunes, {faults} without chords; a tune takes {statistics.mean(times):.2f} ms of the processor "
              f"on average, {statistics.median(times):.2f} in the middle, {times[int(0.95 * len(times))]:.2f} at 95 %, "
              f"{times[-1]:.2f} at most; mean sureness {statistics.mean(sure):.3f}; different chords in a tune {sorted(different.items())}")  # fmt: skip


if __name__ == "__main__":
    main()
