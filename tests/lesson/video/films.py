"""Short videos to look into, and what is seen and heard in them, decoded by libav (PyAV), which is no part of what made them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt

from underbow.lesson.video.film import make_video
from underbow.lesson.video.layout import UPRIGHT, WIDE, Layout
from underbow.lesson.video.options import VideoOptions
from underbow.lesson.video.paint import shade
from underbow.sound.options import RenderOptions
from underbow.sound.render import render_files
from underbow.tables import read_table
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet

SHEET = """
title = "{title}"
meter = "{meter}"
pattern = "{pattern}"
progression = "{progression}"
tuning = "{tuning}"
compose = {{ seed = 1 }}
[tempo]
beat = "{beat}"
start = {start}
goal = {goal}
passes = {passes}
between = {between}
count_in = 1
[[mix]]
name = "backup turn"
melody = "off"
backup = "off"
rhythm = "off"
click = 0
"""
USUAL = {
    "title": "A short ramp", "meter": "4/4", "pattern": "nashville-shuffle", "progression": "G | C",
    "tuning": "GDAE", "beat": "1/4", "start": 150, "goal": 190, "passes": 2, "between": 0,
}  # fmt: skip


def a_sheet(**changes: object) -> Sheet:
    """Give a sheet of which the click alone is heard."""
    told = USUAL | ({"goal": changes["start"]} if "start" in changes else {}) | changes
    return build_sheet(read_table(SHEET.format(**told), "sheet.toml"), None, "sheet.toml")


def film(sheet: Sheet, folder: Path, options: VideoOptions = VideoOptions()) -> Path:
    """Make its track and the video of it."""
    performance, mixes = perform(sheet), sheet.mixes[:1]
    folder.mkdir(exist_ok=True)
    made = render_files(performance, mixes, folder, RenderOptions(voices="builtin", papers=False)).files[0]
    assert made.seconds is not None
    path = folder / "film.mp4"
    make_video(sheet, performance, Path(made.path), made.seconds, path, mix=mixes[0].name, options=options)
    return path


@dataclass(frozen=True)
class Seen:
    """A picture: when it is shown, and its planes."""

    start: float
    y: npt.NDArray[np.uint8]
    u: npt.NDArray[np.uint8]
    v: npt.NDArray[np.uint8]

    def lit(self, layout: Layout) -> tuple[int, int] | None:
        """The columns of the lit cell, as the colour of the uppermost pixels of the bow's box tells it."""
        box = layout.bow
        row = self.u[box.y // 2 + 3, box.x // 2 : (box.x + box.w) // 2]
        columns = np.nonzero(row < (shade("#f2a81d")[1] + 128) / 2)[0]
        return (2 * int(columns[0]), 2 * int(columns[-1])) if len(columns) else None


def pictures(path: Path) -> Iterator[Seen]:
    """Decode a video."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        for frame in container.decode(stream):
            planes = [
                np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)[:, : plane.width] for plane in frame.planes
            ]
            assert frame.pts is not None
            assert frame.time_base is not None
            yield Seen(float(frame.pts * frame.time_base), *planes)


def clicks(path: Path) -> list[float]:
    """Where the clicks of a video's own sound begin, in seconds: where it rises over a twentieth of its peak after a silence."""
    with av.open(str(path)) as container:
        stream = container.streams.audio[0]
        frames = list(container.decode(stream))
        assert frames[0].pts is not None
        assert frames[0].time_base is not None
        begins = float(frames[0].pts * frames[0].time_base)
        sound = np.concatenate([np.abs(frame.to_ndarray()).max(axis=0) for frame in frames])
        rate = frames[0].sample_rate
    loud = np.nonzero(sound > 0.05 * sound.max())[0]
    first = np.concatenate([[True], np.diff(loud) > 0.1 * rate])
    return [begins + float(at) / rate for at in loud[first]]


def lightings(path: Path, layout: Layout) -> list[float]:
    """When the pictures begin in which another cell lights."""
    found, before = [], None
    for seen in pictures(path):
        now = seen.lit(layout)
        if now is not None and now != before:
            found.append(seen.start)
        before = now
    return found


def layout_of(options: VideoOptions) -> Layout:
    return WIDE if options.wide else UPRIGHT
