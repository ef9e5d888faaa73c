"""A long ramp as a video: time, size and memory, and how near the pictures are to the sound, all from the finished file.

The ratio: the encoder alone, given the same pictures decoded from the finished video, in the same run.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from threading import Event, Thread
from typing import Any, Self

import av
import numpy as np

from underbow.lesson.video.encoder import find_encoder
from underbow.lesson.video.film import make_video
from underbow.lesson.video.layout import UPRIGHT, WIDE
from underbow.lesson.video.options import VideoOptions
from underbow.lesson.video.paint import shade
from underbow.sound.options import RenderOptions
from underbow.sound.render import render_files
from underbow.track.mixes import Mix
from underbow.track.sequencer import perform
from underbow.track.sheet.read import build_sheet

CLICK = Mix("click", (("melody", (None,)), ("backup", (None,)), ("rhythm", (None,)), ("click", (0.0,))))
ROUND = " | ".join(["G", "C", "D", "G", "Em", "Am", "D7", "G"] * 2)


def a_sheet(passes: int) -> Any:
    return build_sheet(
        {
            "title": "A long ramp", "meter": "4/4", "pattern": "nashville-shuffle", "progression": ROUND, "compose": {"seed": 1},
            "tempo": {"beat": "1/4", "start": 60, "goal": 60 + 8 * (passes - 1), "passes": passes},
        },
        None,
        "sheet.toml",
    )  # fmt: skip


class Memory:
    """The most memory that this process and the encoder held, read twice a second, at the beginning and all along."""

    def __init__(self) -> None:
        self.seen: list[int] = []
        self._end = Event()
        self._thread = Thread(target=self._look, daemon=True)

    def _look(self) -> None:
        page = os.sysconf("SC_PAGE_SIZE")
        while not self._end.wait(0.5):
            self.seen.append(int(Path("/proc/self/statm").read_text().split()[1]) * page)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self._thread.join()


def cpu() -> float:
    return sum(
        use.ru_utime + use.ru_stime
        for use in (resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN))
    )


def errors(path: Path, *, wide: bool) -> np.ndarray[Any, Any]:
    """Milliseconds from each click to the picture in which a cell lights; positive: the picture is late."""
    box, rosin = (WIDE if wide else UPRIGHT).bow, shade("#f2a81d")[1]
    lit, before = [], None
    with av.open(str(path)) as film:
        for frame in film.decode(film.streams.video[0]):
            plane = np.frombuffer(frame.planes[1], np.uint8).reshape(-1, frame.planes[1].line_size)
            row = plane[box.y // 2 + 3, box.x // 2 : (box.x + box.w) // 2]
            columns = np.nonzero(row < (rosin + 128) / 2)[0]
            now = (int(columns[0]), int(columns[-1])) if len(columns) else None
            if now is not None and now != before:
                lit.append(float(frame.pts * frame.time_base))
            before = now
    with av.open(str(path)) as film:
        frames = list(film.decode(film.streams.audio[0]))
    sound = np.concatenate([np.abs(frame.to_ndarray()).max(axis=0) for frame in frames])
    rate, begins = frames[0].sample_rate, float(frames[0].pts * frames[0].time_base)
    loud = np.nonzero(sound > 0.05 * sound.max())[0]
    clicks = begins + loud[np.concatenate([[True], np.diff(loud) > 0.1 * rate])] / rate
    cells = np.array(lit)
    clicks = clicks[(clicks > cells[0] - 0.1) & (clicks < cells[-1] + 0.1)]
    nearest = cells[np.abs(cells[None] - clicks[:, None]).argmin(axis=1)]
    return 1000 * (nearest - clicks)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--passes", type=int, default=11, help="of 16 bars, from 60 up by 8; 11 are about 7.5 minutes")
    words.add_argument("--wide", action="store_true")
    asked = words.parse_args()
    sheet = a_sheet(asked.passes)
    performance = perform(sheet)
    encoder = find_encoder()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        options = RenderOptions(voices="builtin", papers=False)
        backup = next(mix for mix in sheet.mixes if mix.name == "backup turn")
        made = render_files(performance, [backup, CLICK], folder, options).files
        length = made[0].seconds
        assert length is not None
        rows = []
        for file, what in zip(made, ("backup turn", "click alone"), strict=True):
            path = folder / "film.mp4"
            begun, spent = time.monotonic(), cpu()
            with Memory() as memory:
                seconds = make_video(
                    sheet,
                    performance,
                    Path(file.path),
                    length,
                    path,
                    mix=what,
                    options=VideoOptions(asked.wide),
                    encoder=encoder,
                )
            took, used = time.monotonic() - begun, cpu() - spent
            third = len(memory.seen) // 3
            rows.append(
                f"| {what} | {seconds:.0f} | {took:.0f} ({took / seconds:.2f}) | {used:.0f} ({used / seconds:.2f}) | "
                f"{path.stat().st_size / 1e6 / seconds * 300:.1f} | {max(memory.seen[:third], default=0) / 1e6:.0f}, "
                f"{max(memory.seen[2 * third :], default=0) / 1e6:.0f} |"
            )
        spent = cpu()
        subprocess.run(
            [encoder.path, "-v", "error", "-i", path, "-map", "0:0", "-c:v", "libx264", "-preset", "veryfast",
             "-tune", "stillimage", "-crf", "31", "-g", "600", "-threads", "2", "-f", "null", "-"],
            check=True,
        )  # fmt: skip
        alone = cpu() - spent
        off = errors(path, wide=asked.wide)
    load = os.getloadavg()[1]
    print(f"{encoder.name}, {encoder.licence}; {os.cpu_count()} cores, load {load:.1f}\n")
    print(
        "| track | seconds | took s (of its length) | CPU s (the same) | MB for five minutes | memory MB, first and last third |"
    )
    print("|---|---|---|---|---|---|")
    print("\n".join(rows))
    print(f"\nCPU, ratio to the encoder alone on the same pictures: {used / alone:.2f}")
    half = len(off) // 2
    print(
        f"cell to click, {len(off)} clicks: mean {np.abs(off).mean():.1f} ms, worst {np.abs(off).max():.1f} ms; signed mean "
        f"{off[:half].mean():+.1f} ms in the first half, {off[half:].mean():+.1f} ms in the second"
    )
    if np.abs(off).mean() > 25 or np.abs(off).max() > 45:
        sys.exit("sound and picture are too far apart")


if __name__ == "__main__":
    main()
