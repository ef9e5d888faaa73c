"""CPU, time and size of the lessons of the shipped sheets, beside rendering the same four mixes to WAV in the same run.

    python benchmarks/lesson/measure.py [--sheets gateposts,rushes]

CPU is of the whole process with its children. Nothing is taken from the cache.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]


def measured(*words: str | Path) -> tuple[float, float]:
    """Run a command of underbow; give its seconds and its seconds of CPU."""
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    command = [sys.executable, "-m", "underbow", *map(str, words), "--voices", "builtin", "--no-cache"]
    subprocess.run(command, check=True, capture_output=True, env=os.environ | {"OMP_NUM_THREADS": "1"})
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.perf_counter() - begun, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sheets", default="gateposts,lamplight,rushes,snow-on-the-weir,wet-socks")
    names = parser.parse_args().sheets.split(",")
    print("| sheet | minutes | page, MB | track, MB | print, kB | zip, MB | s | CPU s | CPU s of four WAVs | ratio |")
    print("|" + "---|" * 10)
    for name in names:
        sheet = ROOT / "tracks" / f"{name}.toml"
        with tempfile.TemporaryDirectory() as scratch:
            folder = Path(scratch) / "lesson"
            seconds, cpu = measured("lesson", sheet, "-o", folder)
            _, wavs = measured("render", sheet, "-o", Path(scratch) / "out")
            manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
            (part,) = manifest["parts"]
            size = dict.fromkeys(("page", "audio", "handout"), 0)
            for file in part["files"]:
                size[file["kind"]] = size.get(file["kind"], 0) + (folder / file["path"]).stat().st_size
            long = next(file["seconds"] for file in part["files"] if file["kind"] == "audio") / 60
            packed = folder.with_suffix(".zip").stat().st_size
            print(
                f"| {part['title']} | {long:.1f} | {size['page'] / 1e6:.1f} | {size['audio'] / 1e6:.1f} "
                f"| {size['handout'] / 1e3:.0f} | {packed / 1e6:.1f} | {seconds:.0f} | {cpu:.1f} | {wavs:.1f} "
                f"| {cpu / wavs:.2f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
