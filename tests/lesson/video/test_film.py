"""A video as a player finds it: what ffprobe says of it, and what its pictures and its sound say of each other."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from underbow.lesson.video.layout import UPRIGHT
from underbow.lesson.video.options import VideoOptions
from underbow.lesson.words import ENGLISH

from .films import a_sheet, clicks, film, lightings, pictures


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return film(a_sheet(), tmp_path_factory.mktemp("short"))


@pytest.fixture(scope="module")
def probed(short: Path, program: Callable[[str], str]) -> Any:
    run = subprocess.run(
        [program("ffprobe"), "-v", "error", "-show_streams", "-show_chapters", "-show_format", "-of", "json", short],
        capture_output=True, check=True,
    )  # fmt: skip
    return json.loads(run.stdout)


def test_phones_and_televisions_find_what_they_play(probed: Any, short: Path) -> None:
    """H.264 in 4:2:0 and AAC-LC in MP4, its index in front: the formats that ISO/IEC 14496-10, -3 and -14 name, and all play."""
    streams = probed["streams"]
    picture, sound = streams[0], streams[1]
    assert (picture["codec_name"], picture["pix_fmt"], picture["width"], picture["height"]) == (
        "h264",
        "yuv420p",
        1080,
        1920,
    )
    assert picture["profile"] in {"Constrained Baseline", "Main", "High"}
    assert picture["level"] <= 42
    assert picture["avg_frame_rate"] == "30/1"
    assert (picture["color_space"], picture["color_range"]) == ("bt709", "tv")
    assert (sound["codec_name"], sound["profile"]) == ("aac", "LC")
    assert float(picture["duration"]) == pytest.approx(float(sound["duration"]), abs=0.05)
    data = short.read_bytes()
    assert 0 < data.index(b"moov") < data.index(b"mdat")


def test_passes_are_chapters_and_the_title_is_told(probed: Any) -> None:
    assert [chapter["tags"]["title"] for chapter in probed["chapters"]] == [
        "count-in", "pass 1, 1/4 = 150", "pass 2, 1/4 = 190", "Take care",
    ]  # fmt: skip
    # a bar of four beats at 150, two bars at 150, two at 190
    starts = [float(chapter["start_time"]) for chapter in probed["chapters"]]
    assert starts == pytest.approx([0, 1.6, 4.8, 4.8 + 8 * 60 / 190], abs=0.002)
    tags = probed["format"]["tags"]
    assert (tags["title"], tags["artist"]) == ("A short ramp (backup turn)", "Underbow")


def test_it_has_a_cover_and_the_chords_as_subtitles(probed: Any, short: Path, program: Callable[[str], str]) -> None:
    covers = [one for one in probed["streams"] if one["disposition"]["attached_pic"]]
    assert [(one["codec_name"], one["width"], one["height"]) for one in covers] == [("png", 1080, 1920)]
    titles = [one for one in probed["streams"] if one["codec_type"] == "subtitle"]
    assert [(one["codec_name"], one["tags"]["language"]) for one in titles] == [("mov_text", "eng")]
    text = subprocess.run(
        [program("ffmpeg"), "-v", "error", "-i", short, "-map", "0:s", "-f", "srt", "-"],
        capture_output=True,
        check=True,
    ).stdout.decode()
    said = [line for line in text.splitlines() if line and not line[0].isdigit()]
    assert said[0] == "Count-in"
    assert [line.split(" (")[0] for line in said[1:]] == ["G", "C", "G", "C"]
    assert "00:00:01,600 --> 00:00:03,200" in text


def test_cells_light_with_the_clicks(short: Path) -> None:
    """In every bar the first cell and every second one after it begin with a beat; each click of a bar is held against them.

    A picture lasts 33 ms: it can't be nearer than half of that. 45 ms is what ITU-R BT.1359-1 gives as the sound's lead that
    begins to be noticed.
    """
    lit, heard = np.array(lightings(short, UPRIGHT)), clicks(short)
    assert len(heard) == 4 + 2 * 8
    off = [float(lit[np.abs(lit - click).argmin()]) - click for click in heard[4:]]
    assert np.mean(np.abs(off)) <= 0.0175
    assert max(map(abs, off)) <= 0.025


def test_the_first_picture_shows_the_board_and_the_last_the_cautions(short: Path) -> None:
    seen = list(pictures(short))
    first, last = seen[0], seen[-1]
    for picture in (first, last):
        assert picture.y.max() > 200  # not black
        assert picture.y.std() > 20  # nor bare
    assert first.lit(UPRIGHT) is None
    ink = (last.y < 90).mean()
    assert 0.02 < ink < 0.2  # words on light ground
    assert "ears" in ENGLISH["care"]
    assert "hands" in ENGLISH["care"]
    after = [picture for picture in seen if picture.start > seen[-1].start - 10]
    assert all(abs(int(picture.y.mean()) - int(last.y.mean())) <= 1 for picture in after)  # long enough to be read


def test_the_point_follows_the_bow(short: Path) -> None:
    """From one picture to the next in a stroke little but the point moves: the rest of the bow's box stays."""
    seen = list(pictures(short))
    box = UPRIGHT.bow
    moved = 0
    for before, after in pairwise(seen[60:91]):
        change = np.abs(before.y[box.y : box.y + box.h].astype(int) - after.y[box.y : box.y + box.h].astype(int))
        if before.lit(UPRIGHT) == after.lit(UPRIGHT):
            moved += (change > 40).any()
            assert (change > 40).mean() < 0.03
    assert moved > 15


HOSTILE = r"<b>'\\u005c={;#}\\n</b> $(x) %d ’ 日本 مرحبا"  # as TOML has it
ODD = {
    "a hostile title": ({"title": HOSTILE}, VideoOptions()),
    "twelve chords": (
        {"progression": "G | A | B | C | D | E | F | Am | Bm | Em | F#m | C#m", "start": 190, "passes": 1},
        VideoOptions(wide=True),
    ),
    "one chord": ({"progression": "A", "start": 190, "passes": 1, "tuning": "AEAE"}, VideoOptions(dark=True)),
    "3/2": (
        {"meter": "3/2", "pattern": "three-two-hornpipe", "beat": "1/2", "start": 90, "goal": 90, "passes": 1},
        VideoOptions(wide=True, dark=True),
    ),
    "clicks between": ({"between": 1, "progression": "D7 | C#m7b5/G#"}, VideoOptions()),
}


@pytest.mark.parametrize(("what", "options"), ODD.values(), ids=ODD)
def test_odd_sheets_come_out_whole(what: dict[str, object], options: VideoOptions, tmp_path: Path) -> None:
    path = film(a_sheet(**what), tmp_path / "odd", options)
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        assert (stream.width, stream.height) == options.size
        shown = sum(1 for _ in container.decode(stream))
        assert stream.duration is not None
        assert stream.time_base is not None
        assert shown == round(float(stream.duration * stream.time_base) * 30)
        title = container.metadata["title"]
    assert title == str(what.get("title", "A short ramp")).replace(r"\\", "\\") + " (backup turn)"
    assert [one.name for one in path.parent.iterdir() if one.suffix != ".wav"] == ["film.mp4"]
