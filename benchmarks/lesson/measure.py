"""Time and size of a lesson of the shipped sheets, beside ffmpeg encoding the same length of sound to MP3.

    python benchmarks/lesson/measure.py [--sheets gateposts,rushes]

ffmpeg must be on the PATH. MP3 is by far the slowest part of a lesson (four mixes and the page's own four), so encoding
alone, by a program that does nothing else, is the measure of what could be had.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]


def timed(*command: str | Path) -> float:
    begun = time.perf_counter()
    subprocess.run([str(word) for word in command], check=True, capture_output=True)
    return time.perf_counter() - begun


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sheets", default="gateposts,lamplight,rushes,snow-on-the-weir,wet-socks")
    names = parser.parse_args().sheets.split(",")
    sheets = [ROOT / "tracks" / f"{name}.toml" for name in names]
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "lesson"
        command = [sys.executable, "-m", "underbow", "lesson", *sheets, "-o", folder, "--voices", "builtin"]
        first = timed(*command)
        again = timed(*command, "--again")
        manifest = json.loads((folder / "manifest.json").read_text())
        minutes = 0.0
        print(
            "| sheet | minutes of audio, one mix | page, MB | tracks, MB | printed sheet, kB |\n|---|---|---|---|---|"
        )
        for part in manifest["parts"]:
            audio = [file for file in part["files"] if file["kind"] == "audio"]
            long = audio[0]["seconds"] / 60
            minutes += long * len(audio)
            size = {file["kind"]: (folder / file["path"]).stat().st_size for file in part["files"]}
            tracks = sum((folder / file["path"]).stat().st_size for file in audio)
            print(
                f"| {part['title']} | {long:.1f} | {size['page'] / 1e6:.1f} | {tracks / 1e6:.1f} | {size['handout'] / 1e3:.0f} |"
            )
        packed = folder.with_suffix(".zip").stat().st_size / 1e6
        noise, mp3 = Path(scratch) / "ref.wav", Path(scratch) / "ref.mp3"
        timed("ffmpeg", "-f", "lavfi", "-i", f"anoisesrc=d={minutes * 60:.0f}:a=0.2:r=44100", "-ac", "2", noise)
        reference = timed("ffmpeg", "-i", noise, "-q:a", "2", mp3)
        print(f"\nthe whole lesson: {first:.1f} s for {minutes:.0f} minutes of mixes; zip {packed:.0f} MB")
        print(f"ffmpeg, the same minutes of noise to MP3 once: {reference:.1f} s; ratio {first / reference:.2f}")
        print(f"made again with nothing changed: {again:.2f} s; ratio to the first time {again / first:.3f}")


if __name__ == "__main__":
    main()
