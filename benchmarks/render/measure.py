"""Measure the whole job against `fluidsynth -F` and pretty_midi.fluidsynth(), on the same MIDI and SoundFont, in one run.

    python benchmarks/render/measure.py [--rounds 3] [--minutes 2 20 180] [--no-memory] [--no-pretty]

Everything is a process of its own, timed from start to exit: ours is the `underbow render` command, sheet to files. The
programs take turns, so that a busy machine slows all of them; what counts are the ratios of the medians.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from underbow.sound.soundfont.banks import find_banks
from underbow.track.midi.score import Score
from underbow.track.sequencer import perform
from underbow.track.sheet.read import read_sheet

TUNE = Path(__file__).parents[2] / "tracks" / "lamplight.abc"
UNDERBOW = (sys.executable, "-m", "underbow")
PRETTY = (
    "import sys, numpy, pretty_midi, soundfile\n"
    "sound = pretty_midi.PrettyMIDI(sys.argv[1]).fluidsynth(fs=44100, sf2_path=sys.argv[2])\n"
    "soundfile.write(sys.argv[3], sound, 44100)\n"
)


def sheet(folder: Path, name: str, tempo: str, more: str = "", sound: str = "") -> Path:
    """Write a track sheet: a reel of 32 bars, four parts, Georgia shuffle."""
    shutil.copy(TUNE, folder)
    path = folder / f"{name}.toml"
    path.write_text(
        f'title = "{name}"\ntune = "{TUNE.name}"\npattern = "georgia-shuffle"\n{more}\n'
        f'[tempo]\nbeat = "1/2"\n{tempo}\n[sound]\n{sound}\n'
    )
    return path


def run(*command: object) -> tuple[float, float, float]:
    """Run a program to its end; give wall seconds, CPU seconds and peak memory in MB."""
    start = time.perf_counter()
    child = subprocess.Popen([str(word) for word in command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    wall = time.perf_counter() - start
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"failed: {' '.join(map(str, command))}")
    return wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def midi_of(path: Path) -> tuple[Path, float]:
    """Write a sheet's MIDI beside it; give it and the track's seconds."""
    played = perform(read_sheet(path))
    out = path.with_suffix(".mid")
    out.write_bytes(Score(played).midi())
    return out, played.tempo.seconds(played.length)


def speed(folder: Path, rounds: int, pretty: bool) -> dict[str, object]:
    """Let the programs take turns."""
    bank = find_banks()[0].path
    steps = sheet(folder, "steps", "start = 52\ngoal = 96\npasses = 11")
    even = sheet(folder, "steady", 'ramp = "steady"\ngoal = 64\npasses = 20', 'form = "AB"')
    equal = sheet(folder, "equal", 'ramp = "steady"\ngoal = 64\npasses = 20', 'form = "AB"', "feel_ms = 0\nfeel_db = 0")
    (midi, seconds), (even_midi, even_seconds) = midi_of(steps), midi_of(even)
    wav, out = folder / "reference.wav", folder / "out"

    def reference(file: Path) -> tuple[object, ...]:
        return ("fluidsynth", "-ni", "-F", wav, "-r", 44100, bank, file)

    def ours(path: Path, *more: object) -> tuple[object, ...]:
        return (*UNDERBOW, "render", path, "-o", out, *more)

    one, sf = ("--mix", "together"), ("--soundfont", bank)
    jobs: dict[str, tuple[object, ...]] = {
        "fluidsynth -F": reference(midi),
        "one mix, soundfont": ours(steps, *one, *sf),
        "four mixes, soundfont": ours(steps, *sf),
        "one mix, built-in": ours(steps, *one, "--voices", "builtin"),
        "four mixes, built-in": ours(steps, "--voices", "builtin"),
        "fluidsynth -F, 20 even passes": reference(even_midi),
        "20 even passes": ours(even, *one, *sf),
        "20 equal passes (no human feel)": ours(equal, *one, *sf),
        "underbow --version": (*UNDERBOW, "--version"),
    }
    if pretty:
        jobs["pretty_midi.fluidsynth()"] = (sys.executable, "-c", PRETTY, midi, bank, wav)
    taken: dict[str, list[tuple[float, float, float]]] = {name: [] for name in jobs}
    for _ in range(rounds):
        for name, command in jobs.items():
            if name.startswith("pretty") and taken[name]:
                continue  # slow, and far behind: once is enough
            taken[name].append(run(*command))
            shutil.rmtree(out, ignore_errors=True)
    print(f"a track of {seconds:.0f} s in 11 steps, and one of {even_seconds:.0f} s in 20 even passes; {rounds} rounds")
    print(f"{'':36}{'wall s':>8}{'CPU s':>8}{'MB':>6}{'wall':>8}{'CPU':>7}  of fluidsynth -F")
    walls, result = {}, {}
    for name, times in taken.items():
        wall, cpu, memory = (statistics.median(column) for column in zip(*times, strict=True))
        walls[name] = wall
        base = taken["fluidsynth -F, 20 even passes" if "passes" in name else "fluidsynth -F"]
        ratio = statistics.median(time[0] for time in times) / statistics.median(time[0] for time in base)
        work = cpu / statistics.median(time[1] for time in base)
        print(f"{name:36}{wall:8.2f}{cpu:8.2f}{memory:6.0f}{ratio:8.2f}{work:7.2f}")
        result[name] = {"wall": wall, "cpu": cpu, "mb": memory, "ratio": ratio, "cpu_ratio": work}
    for voice in ("soundfont", "built-in"):
        more = (walls[f"four mixes, {voice}"] - walls[f"one mix, {voice}"]) / 3 / walls["fluidsynth -F"]
        print(f"each further mix, {voice}: {more:.2f} of fluidsynth -F")
        result[f"further mix, {voice}"] = {"ratio": more}
    return result


def memory(folder: Path, minutes: list[int]) -> dict[str, object]:
    """Measure the peak memory of tracks of several lengths."""
    result: dict[str, object] = {}
    print("peak memory in MB, one mix: minutes, soundfont, built-in")
    for length in minutes:
        path = sheet(folder, f"long{length}", f"start = 52\ngoal = 96\npasses = {max(round(length * 1.1), 2)}")
        peaks = []
        for voices in ("soundfont", "builtin"):
            peaks.append(
                run(*UNDERBOW, "render", path, "-o", folder / "out", "--mix", "together", "--voices", voices)[2]
            )
            shutil.rmtree(folder / "out", ignore_errors=True)
        print(f"{length:6}{peaks[0]:8.0f}{peaks[1]:8.0f}")
        result[str(length)] = peaks
    return result


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--rounds", type=int, default=3)
    asked.add_argument("--minutes", type=int, nargs="*", default=[2, 20, 180])
    asked.add_argument("--no-memory", action="store_true")
    asked.add_argument("--no-speed", action="store_true")
    asked.add_argument("--no-pretty", action="store_true")
    asked.add_argument("--json", type=Path)
    options = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        result = {}
        if not options.no_speed:
            result["speed"] = speed(Path(folder), options.rounds, not options.no_pretty)
        if not options.no_memory:
            result["memory"] = memory(Path(folder), options.minutes)
    if options.json:
        options.json.write_text(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
