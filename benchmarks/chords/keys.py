"""Count the profiles of ``tune/keydoubt.py``, and measure how well keys are found and wrong ones doubted.

    PYTHONPATH=src:benchmarks/recording python benchmarks/chords/keys.py FOLDER

FOLDER holds the collection (see collection.py); keys are found by what ``benchmarks/recording/tonics.py`` counted in half of
it. The other two collections are O'Neill's and Ryan's, as music21 carries them: nothing is counted in them. A wrong key is made
by writing another tonic, one to three fifths away, in the K: line and reading the same letters again.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import music21
from collection import load
from tonics import Example

from underbow.theory.key import Key
from underbow.theory.pitch import PitchClass
from underbow.tune.abc.reader import read_abc
from underbow.tune.keydoubt import doubted, reread
from underbow.tune.keyfind import find_key
from underbow.tune.tune import Tune
from underbow.tune.written_out import write_out

CORPUS = Path(music21.__file__).parent / "corpus"


def profiles(tunes: Sequence[Tune]) -> None:
    """Print the share of each tone above the tonic: of the time, of the notes on the first beat, of the last notes; per mille."""
    for minor, mode in enumerate(("major", "minor")):
        time, first, last = (Counter[int]() for _ in range(3))
        some = [tune for tune in tunes if tune.key.is_minor == bool(minor)]
        for tune in some:
            tonic = tune.key.tonic.number
            notes = [(note, (note.midi - tonic) % 12) for measure in tune.measures for note in measure.notes]
            whole = float(sum(note.length for note, _ in notes))
            firsts = sum(note.start == 0 for note, _ in notes)
            for note, tone in notes:
                time[tone] += float(note.length) / whole
                first[tone] += (note.start == 0) / firsts
            last[notes[-1][1]] += 1
        for name, counted, more in (("time", time, 0.02), ("first", first, 0.02), ("last", last, 0.5)):
            total = sum(counted.values()) + 12 * more
            print(mode, name, tuple(round(1000 * (counted[tone] + more) / total) for tone in range(12)))


def measure(name: str, tunes: Sequence[Tune]) -> None:
    """Print how many keys are found from the notes alone, how many good ones are doubted, how many wrong ones are caught."""
    examples = [Example.of(tune, write_out(tune)) for tune in tunes]
    found = [find_key(example.line, example.bar, example.part) for example in examples]
    tonic = sum(key.tonic.number == tune.key.tonic.number for key, tune in zip(found, tunes, strict=True))
    signature = sum(key.signature == tune.key.signature for key, tune in zip(found, tunes, strict=True))
    doubts = [tune for tune in tunes if doubted(tune)]
    rng = random.Random(1)
    tried = caught = right = 0
    for tune in tunes:
        fifths = tune.key.tonic.fifths + rng.choice((-3, -2, -1, 1, 2, 3))
        if not -4 <= fifths <= 5 or len({measure.key for measure in tune.measures}) > 1:
            continue
        doubt = doubted(reread(tune, Key(PitchClass.at_fifths(fifths), tune.key.mode)))
        tried += 1
        caught += doubt is not None
        right += doubt is not None and doubt.key.tonic.number == tune.key.tonic.number
    count = len(tunes)
    print(f"{name}: {count} tunes; from the notes alone: tonic {tonic / count:.1%}, signature {signature / count:.1%};")
    print(f"  as printed: {len(doubts) / count:.1%} doubted")
    print(f"  {tried} wrong keys: {caught / tried:.1%} caught, {right / tried:.1%} put right")
    for tune in doubts[:: max(len(doubts) // 8, 1)]:
        print("   ", tune.title, "|", tune.key, "|", doubted(tune))


def main() -> None:
    trained = [example.tune for example in load(Path(sys.argv[1]))]
    profiles(trained)
    measure("the collection", trained)
    for folder in ("oneills1850", "ryansMammoth"):
        texts = [path.read_bytes().decode("latin-1") for path in sorted((CORPUS / folder).glob("*.abc"))]
        tunes = [tune for text in texts for tune in read_abc(text)]
        measure(folder, [tune for tune in tunes if any(measure.notes for measure in tune.measures)])


if __name__ == "__main__":
    main()
