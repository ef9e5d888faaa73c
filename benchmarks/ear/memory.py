"""How much memory a long take needs: ``python benchmarks/ear/memory.py MINUTES``.

The take is the whole band by a SoundFont, the backup as loud as the rest, for so many minutes of passes at one tempo. It is
held against the sheet as ``underbow listen`` does it, in a process of its own that looks at what it needs.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from pathlib import Path

import soundfile
from measure import TRACKS

from underbow.ear.listen import listen
from underbow.sound.choose import choose_voice
from underbow.sound.mix import Mixer, everything
from underbow.sound.stems import Stems
from underbow.track.performance import Performance
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet

_RATE = 22_050
_LONG_PASS = 2 * 60 * 8 * 4 / 100  # seconds of two parts of eight bars, 4/4 at 100


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("minutes", type=float)
    asked.add_argument("--take", type=Path, help="already made: only listen")
    options = asked.parse_args()
    sheet = _sheet(options.minutes)
    performance = perform(sheet)
    if options.take:
        _listen(options.take, sheet, performance)
        return
    with tempfile.TemporaryDirectory() as folder:
        take = Path(folder) / "take.flac"
        _make(take, performance)
        command = [sys.executable, __file__, str(options.minutes), "--take", str(take)]
        subprocess.run(command, check=True)


def _sheet(minutes: float) -> Sheet:
    table = tomllib.loads((TRACKS / "gateposts.toml").read_text())
    passes = max(round(minutes * 60 / _LONG_PASS), 1)
    table["tempo"] = {"beat": "1/4", "start": 100, "goal": 100, "passes": passes, "count_in": 1}
    return build_sheet(table, TRACKS)


def _make(take: Path, performance: Performance) -> None:
    stems = Stems(performance, choose_voice(performance, "soundfont", rate=_RATE).voice)
    with soundfile.SoundFile(take, "w", _RATE, 1) as file:
        for block in Mixer(performance, everything(stems.names), stems.names, _RATE).mixed(stems.blocks()):
            file.write(0.5 * block.mean(axis=1))


def _listen(take: Path, sheet: Sheet, performance: Performance) -> None:
    most = {"RssAnon": 0, "VmRSS": 0}
    stop = threading.Event()

    def watch() -> None:
        while not stop.wait(0.05):
            status = Path("/proc/self/status").read_text()
            for name, before in most.items():
                found = re.search(rf"{name}:\s+(\d+)", status)
                most[name] = max(before, int(found[1]) if found else 0)

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    begun = time.process_time()
    heard = listen(take, performance, sheet.mixes[0], voices="soundfont")
    cpu, minutes = time.process_time() - begun, soundfile.info(take).duration / 60
    stop.set()
    watcher.join()
    print(
        f"{minutes:.1f} minutes: {heard.verdict}, {len(heard.strokes)} strokes, {cpu / minutes:.1f} s of CPU a minute; at most "
        f"{most['RssAnon'] / 1024:.0f} MB of its own, {most['VmRSS'] / 1024:.0f} MB with the pages of its files"
    )


if __name__ == "__main__":
    main()
