"""Say where the time of one render goes: CPU seconds of every stage, one after the other, for ten minutes of sound.

    python benchmarks/render/stages.py [SHEET] [--voices soundfont|builtin]

The render itself runs several of these side by side. The last lines say what no renderer can avoid: adding up the parts in
memory, and writing the file.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from underbow.sound.choose import choose_voice
from underbow.sound.files.encode import encode
from underbow.sound.mastering.limiter import Limiter
from underbow.sound.mastering.loudness import LoudnessMeter
from underbow.sound.mix import Mixer
from underbow.sound.stems import BLOCK, Stems
from underbow.sound.voice.tape import Taped
from underbow.sound.voice.voices import Remembered
from underbow.track.midi.score import Score
from underbow.track.mixes import STANDARD_MIXES
from underbow.track.sequencer import perform
from underbow.track.sheet.read import read_sheet

RATE, BLOCKS = 44_100, 150


class Stages:
    """Stages and what they took."""

    def __init__(self) -> None:
        self.rows: list[tuple[str, float]] = [("start Python, load our modules", time.process_time())]

    def __call__(self, name: str, work: Callable[[], Any], scale: float = 1.0) -> Any:
        start = time.process_time()
        result = work()
        self.rows.append((name, (time.process_time() - start) * scale))
        return result


def each(blocks: list[Any], meter: Any) -> Any:
    """Feed a meter."""
    for block in blocks:
        meter.add(block)
    return meter


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("sheet", nargs="?", type=Path, default=Path(__file__).parents[2] / "tracks" / "lamplight.toml")
    asked.add_argument("--voices", default="auto")
    options = asked.parse_args()
    stage = Stages()
    sheet = stage("read the sheet", lambda: read_sheet(options.sheet))
    played = stage("perform it", lambda: perform(sheet))
    stage("MIDI", lambda: Score(played).midi(STANDARD_MIXES[3]))
    voice = stage("load the voice", lambda: choose_voice(played, options.voices)).voice
    with tempfile.TemporaryDirectory() as name, Taped(voice, Path(name)) as tape:
        folder = Path(name)
        stems = stage("plan: quarters to frames", lambda: Stems(played, Remembered(tape, 24 << 20)))
        seconds = stems.frames / RATE
        stage("stems, sounded", lambda: sum(1 for _ in stems.blocks()))
        stage("stems, from the tape", lambda: sum(1 for _ in stems.blocks()))
        some = list(islice(stems.blocks(), BLOCKS))
        scale = stems.frames / (len(some) * BLOCK)
        mixer = Mixer(played, STANDARD_MIXES[3], stems.names, RATE)
        mixed = stage("mix", lambda: list(mixer.mixed(some)), scale)
        stage("measure before the gain", lambda: each(mixed, LoudnessMeter(RATE, 2)), scale)
        limited = stage("limit", lambda: list(Limiter(RATE, 2, gain=-3).run(mixed)), scale)
        stage("measure what comes out", lambda: each(limited, LoudnessMeter(RATE, 2)).integrated(), scale)
        stage("encode: 16 bits, write", lambda: encode(folder / "a.wav", limited, rate=RATE), scale)
        stage("(adding the parts in memory)", lambda: [np.add.reduce(block) for block in some], scale)
        data = (folder / "a.wav").read_bytes()
        stage("(writing the bytes)", lambda: (folder / "b.wav").write_bytes(data), scale)
    print(f"{played.title}: {seconds:.0f} s, {voice.name}; CPU seconds for 10 minutes of sound")
    for what, taken in stage.rows:
        print(f"{what:36}{taken * (1 if 'start' in what or 'load' in what else 600 / seconds):8.3f}", file=sys.stdout)


if __name__ == "__main__":
    main()
