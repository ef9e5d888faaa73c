"""Play parts alone, for ``listener.py``: ``python benchmarks/sound/parts.py FOLDER [--bank FILE] [--loudness LUFS]``.

Of every shipped track, and of ten tracks with a melody composed over the changes, 20 seconds of melody and backup, each alone in
the room, from the first pass on, as mono WAV files in FOLDER, all of one loudness, on which the answer depends. With a bank its
instruments play, else the built-in ones.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import soundfile

from underbow.sound.choose import choose_voice
from underbow.sound.mastering.loudness import LoudnessMeter
from underbow.sound.mix import Mixer
from underbow.sound.stems import Stems
from underbow.sound.voice.voices import Remembered
from underbow.track.mixes import Mix
from underbow.track.performance import Performance
from underbow.track.sequencer import perform
from underbow.track.sheet.read import read_sheet

RATE, SECONDS = 44_100, 20
TRACKS = Path(__file__).parents[2] / "tracks"
# Seed, key, meter, beat, goal, pattern, changes.
COMPOSED = (
    (1, "G", "4/4", "1/2", 84, "nashville-shuffle", "G | G | C | D | G | Em | C D | G"),
    (2, "D", "4/4", "1/2", 88, "georgia-shuffle", "D | D | G | A | D | Bm | G A | D"),
    (3, "A", "4/4", "1/2", 80, "saw", "A | D | A | E | A | D | E | A"),
    (4, "Em", "6/8", "3/8", 100, "jig-one-and-two", "Em | D | Em | Bm | Em | D | G D | Em"),
    (5, "C", "3/4", "1/4", 120, "waltz-oom-pah-pah", "C | C | F | C | C | Am | G | C"),
    (6, "F", "4/4", "1/4", 108, "long-chords", "F | Bb | C | F | Dm | Gm | C | F"),
    (7, "Dmix", "4/4", "1/2", 76, "boom-chuck", "D | C | D | G | D | C | G A | D"),
    (8, "Am", "6/8", "3/8", 96, "jig-separate", "Am | G | Am | Em | F | G | Em | Am"),
    (9, "Bb", "2/4", "1/4", 100, "polka", "Bb | Eb | F | Bb | Gm | Eb | F | Bb"),
    (10, "G", "9/8", "3/8", 88, "slip-jig", "G | C | G | D | Em | C | D | G"),
)


def composed(folder: Path) -> Iterator[Path]:
    """Write the sheets of the ten."""
    for seed, key, meter, beat, goal, pattern, changes in COMPOSED:
        path = folder / f"composed-{seed}.toml"
        path.write_text(
            f'title = "Composed {seed}"\ncompose = {{ seed = {seed} }}\nkey = "{key}"\nmeter = "{meter}"\n'
            f'pattern = "{pattern}"\nprogression = "{changes}"\n'
            f'[tempo]\nbeat = "{beat}"\nstart = {goal - 20}\ngoal = {goal}\npasses = 3\n'
        )
        yield path


def alone(performance: Performance, part: str, bank: Path | None) -> np.ndarray:
    """Give some seconds of one part in the room, mono, shape (frames,)."""
    begin = round(performance.tempo.seconds(performance.passes[0].downbeat) * RATE)
    end, found, frames = begin + SECONDS * RATE, [], 0
    with closing(choose_voice(performance, "soundfont" if bank else "builtin", soundfont=bank)) as choice:
        stems = Stems(performance, Remembered(choice.voice), [part])
        for block in Mixer(performance, Mix(part, ((part, (0.0,)),)), stems.names, RATE).mixed(stems.blocks()):
            found.append(block.sum(axis=1))
            frames += len(block)
            if frames >= end:
                break
    return np.concatenate(found)[begin:end]


def main() -> None:
    """Write the files."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("folder", type=Path)
    asked.add_argument("--bank", type=Path)
    asked.add_argument("--loudness", type=float, default=-23.0, help="LUFS")
    options = asked.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    for path in (*sorted(TRACKS.glob("*.toml")), *composed(options.folder)):
        performance = perform(read_sheet(path))
        for part in ("melody", "backup"):
            sound = alone(performance, part, options.bank)
            meter = LoudnessMeter(RATE, 1)
            meter.add(sound[:, None])
            sound *= 10 ** ((options.loudness - meter.integrated()) / 20)
            soundfile.write(options.folder / f"{path.stem}-{part}.wav", sound, RATE, subtype="FLOAT")


if __name__ == "__main__":
    main()
