"""How fast a sheet becomes gestures and the gestures frames, beside two libraries that read the same track from its MIDI file.

    python benchmarks/render/sequence.py [SHEET] [--tempos 27] [--rounds 5]

Ours is `perform` and the plan of every stem: each note's place in seconds and in frames, with swing, ornaments, feel and tempo.
The references get the notes ready made: mido reads the file's events, pretty_midi gives each note its seconds besides. CPU
seconds, the best of the rounds, which take turns.
"""

from __future__ import annotations

import argparse
import io
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import mido
import pretty_midi

from underbow.sound.stems import plan
from underbow.track.midi.score import Score
from underbow.track.sequencer import perform
from underbow.track.sheet.read import build_sheet

RATE = 44_100
LAMPLIGHT = Path(__file__).parents[2] / "tracks" / "lamplight.toml"


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("sheet", nargs="?", type=Path, default=LAMPLIGHT)
    asked.add_argument("--tempos", type=int, default=27)
    asked.add_argument("--rounds", type=int, default=5)
    options = asked.parse_args()
    table = tomllib.loads(options.sheet.read_text("utf-8"))
    table["tempo"] = {"start": 52, "goal": 104, "passes": options.tempos}
    sheet = build_sheet(table, options.sheet.parent)
    data = Score(perform(sheet)).midi()

    def ours() -> int:
        played = perform(sheet)
        return sum(len(plan(part, played.tempo, RATE).frames) for part in played.parts)

    def by_mido() -> int:
        file = mido.MidiFile(file=io.BytesIO(data))
        return sum(message.type == "note_on" and message.velocity > 0 for track in file.tracks for message in track)

    def by_pretty_midi() -> int:
        return sum(len(one.notes) for one in pretty_midi.PrettyMIDI(io.BytesIO(data)).instruments)

    works: dict[str, Callable[[], int]] = {"ours": ours, "mido": by_mido, "pretty_midi": by_pretty_midi}
    best: dict[str, Any] = {}
    for _ in range(options.rounds):
        for name, work in works.items():
            start = time.process_time()
            count = work()
            taken = time.process_time() - start
            best[name] = min(best.get(name, (taken, count)), (taken, count))
    print(f"{sheet.title}, {options.tempos} tempos, CPU seconds")
    for name, (taken, count) in best.items():
        what = "gestures" if name == "ours" else "notes"
        print(f"{name:12}{taken:8.3f}{count:8} {what:10}{taken / best['mido'][0]:6.2f} of mido")


if __name__ == "__main__":
    main()
