"""Draw what a voice sounds like: waveform and spectrogram of a part, every start of a note marked.

    python benchmarks/render/pictures.py OUT.png [--track lamplight] [--part backup] [--voices builtin] [--seconds 8]

Red lines are where a stroke or pluck starts, green ones where a note is slurred or a pulse comes within the stroke.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

from underbow.sound.choose import choose_voice
from underbow.sound.stems import Stems
from underbow.sound.voice.voices import Remembered
from underbow.track.sequencer import perform
from underbow.track.sheet.read import read_sheet

RATE = 44_100


def main() -> None:
    """Draw."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("out", type=Path)
    asked.add_argument("--track", default="lamplight")
    asked.add_argument("--part", default="backup")
    asked.add_argument("--voices", default="builtin")
    asked.add_argument("--seconds", type=float, default=8.0)
    options = asked.parse_args()
    played = perform(read_sheet(Path(__file__).parents[2] / "tracks" / f"{options.track}.toml"))
    choice = choose_voice(played, options.voices)
    first = played.tempo.seconds(played.passes[0].start)
    begin, count = round(first * RATE), round(options.seconds * RATE)
    sound = next(iter(Stems(played, Remembered(choice.voice), [options.part]).blocks(begin + count)))[0][begin:]
    figure, (wave, colour) = plt.subplots(2, 1, figsize=(12, 5), sharex=True, layout="constrained")
    wave.plot(np.arange(len(sound)) / RATE, sound, linewidth=0.4, color="#334")
    wave.set_ylabel("amplitude")
    wave.set_title(f"{played.title}: {options.part}, {choice.what}", loc="left", fontsize=10)
    hush = 1e-6 * np.random.default_rng(0).standard_normal(len(sound))
    colour.specgram(sound + hush, NFFT=2048, Fs=RATE, noverlap=1664, vmin=-140, cmap="magma")
    colour.set_ylim(0, 6000)
    colour.set_ylabel("Hz")
    colour.set_xlabel("seconds from the first pass")
    for gesture in played.part(options.part).gestures:
        for note in gesture.notes:
            at = played.tempo.seconds(note.start) + gesture.offset - first
            if 0 <= at < options.seconds:
                wave.axvline(at, color="#c33" if note.start == gesture.start else "#393", linewidth=0.6)
    wave.set_xlim(0, options.seconds)
    figure.savefig(options.out, dpi=90)


if __name__ == "__main__":
    main()
