"""The collection that chords are learnt from and tried on, folds of it, and the chords written in it.

A public collection of British and American folk tunes with chord symbols in ABC: the Nottingham Music Database, as cleaned in
github.com/jukedeck/nottingham-dataset, folder ABC_cleaned (GNU GPLv3). It is not part of this project: get it there, and
give the folder of its .abc files to the scripts here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from underbow.theory.chord import Chord
from underbow.tune.abc.reader import read_abc
from underbow.tune.harmony.seen import see
from underbow.tune.harmony.units import Seen
from underbow.tune.tune import Tune

# Diminished and augmented chords are written Cd and Ca there.
ODD = re.compile(r'"([A-G][#b]?)([da])"')


@dataclass(frozen=True)
class Example:
    """A tune, what is seen of it, and the chords written in it."""

    tune: Tune
    seen: Seen
    chords: (
        np.ndarray
    )  # for each unit, 2 * semitones above the tonic + minor, at its beginning; -1 where none is in force
    beats: tuple[tuple[int, int], ...]  # (unit, chord) of every beat
    minor: int


def load(folder: Path) -> list[Example]:
    """Read every tune that has chords."""
    out = []
    for path in sorted(folder.glob("*.abc")):
        text = ODD.sub(lambda m: f'"{m[1]}{"dim" if m[2] == "d" else "aug"}"', path.read_text(encoding="latin-1"))
        out += [_example(tune) for tune in read_abc(text) if any(measure.chords for measure in tune.measures)]
    return out


def _example(tune: Tune) -> Example:
    seen = see(tune)
    spans: list[list[tuple[float, Chord | None]]] = []
    now: Chord | None = None
    opened: Chord | None = None
    for i, measure in enumerate(tune.measures):
        if measure.ending_start:
            if i and tune.measures[i - 1].ending:
                now = opened
            else:
                opened = now
        spans.append([(-1.0, now), *((float(span.start), span.chord) for span in measure.chords)])
        now = spans[-1][-1][1]

    def at(measure: int, where: float, tonic: int) -> int:
        chord = [c for start, c in spans[measure] if start <= where + 1e-6][-1]
        if chord is None:
            return -1
        return (chord.root.number - tonic) % 12 * 2 + chord.is_minor

    chords = np.array([at(unit.measure, unit.start, unit.tonic) for unit in seen.units])
    beats = []
    for n, unit in enumerate(seen.units):
        meter = tune.measures[unit.measure].meter
        step = 1.0 if meter.unit <= 4 and not meter.compound else float(meter.beat)
        where = unit.start
        while where < unit.end - 1e-6:
            chord = at(unit.measure, where, unit.tonic)
            if chord >= 0:
                beats.append((n, chord))
            where += step
    return Example(tune, seen, chords, tuple(beats), int(tune.key.is_minor))


def folds(examples: list[Example], count: int, seed: int = 1) -> np.ndarray:
    """Divide tunes into folds, the same tune under two titles in one.

    Two tunes are the same where at least 35 % of the shorter one's runs of six melodic intervals are in the other.
    """
    runs = []
    for example in examples:
        midi = [note.midi for measure in example.tune.measures for note in measure.notes]
        moves = tuple(np.diff(midi))
        runs.append({moves[i : i + 6] for i in range(len(moves) - 5)})
    group = list(range(len(runs)))
    for i in range(len(runs)):
        for j in range(i):
            least = min(len(runs[i]), len(runs[j]))
            if least and len(runs[i] & runs[j]) >= 0.35 * least:
                old, new = group[i], group[j]
                group = [new if g == old else g for g in group]
    names = sorted(set(group))
    place = {name: n % count for n, name in enumerate(np.random.default_rng(seed).permutation(names))}
    return np.array([place[g] for g in group])
