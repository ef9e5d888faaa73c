"""What the board shows when, how large, and in which colours."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from underbow.lesson.practice.words import ENGLISH
from underbow.lesson.timeline import page_timeline
from underbow.lesson.video.board import Board
from underbow.lesson.video.layout import LEAST, UPRIGHT, WIDE, Box, Layout
from underbow.lesson.video.moments import Moments, measures_at
from underbow.lesson.video.options import VideoOptions
from underbow.lesson.video.paint import Canvas
from underbow.lesson.video.painter import Painter, colours
from underbow.lesson.video.pieces import Pieces
from underbow.text import signs
from underbow.theory.chord import QUALITIES, Chord
from underbow.track.sequencer import perform

from .films import a_sheet


def moments(**changes: object) -> Moments:
    sheet = a_sheet(**changes)
    performance = perform(sheet)
    data = page_timeline(sheet, performance)
    return Moments(data, measures_at(performance.timeline, data))


def test_a_count_in_tells_what_comes_and_how_long_it_takes() -> None:
    """A bar of four beats at 150: 400 ms each."""
    found = moments()
    seen = [found.at(time) for time in (0, 399, 401, 1300)]
    assert [one.state for one in seen] == ["count-in"] * 4
    assert [one.left for one in seen] == [4, 4, 3, 1]
    assert all((one.hand, one.coming, one.cell, one.measure) == (-1, 0, -1, -1) for one in seen)


def test_cells_and_chords_change_at_their_times() -> None:
    """The shuffle has eight cells a bar, of 200 ms at 150; the chord changes with the second bar, at 3.2 s."""
    found = moments()
    seen = [found.at(1600 + 200 * cell + 1) for cell in range(16)]
    assert [one.cell for one in seen] == [*range(8), *range(8)]
    assert [one.hand for one in seen] == [0] * 8 + [1] * 8
    assert [one.left for one in seen[:8]] == [4, 4, 3, 3, 2, 2, 1, 1]
    assert {one.measure for one in seen[:8]} == {0}
    assert {one.measure for one in seen[8:]} == {1}
    assert found.at(3199).hand == 0
    assert found.at(3200).hand == 1


def test_the_last_bar_of_a_pass_tells_the_next_tempo() -> None:
    found = moments()
    assert [found.at(time).coming_tempo for time in (1700, 3100, 3300, 4700)] == [0, 0, 190, 190]
    assert [(one.playing, one.tempo, one.coming_tempo) for one in (found.at(4801), found.at(7000))] == [(1, 190, 0)] * 2


def test_between_two_passes_stands_the_next_tempo() -> None:
    found = moments(between=1)
    seen = found.at(4801)
    assert (seen.state, seen.playing, seen.tempo, seen.hand, seen.coming, seen.left) == ("between", 1, 190, -1, 0, 4)
    assert found.at(4800 + 4 * 60_000 / 190 + 1).state == "play"


def test_after_the_music_nothing_is_lit() -> None:
    found = moments()
    seen = found.at(4800 + 8 * 60_000 / 190 + 1)
    assert (seen.state, seen.hand, seen.coming, seen.left, seen.cell, seen.measure) == ("over", -1, -1, 0, -1, -1)


@pytest.mark.parametrize("layout", [UPRIGHT, WIDE], ids=["upright", "wide"])
def test_a_chord_is_a_sixth_of_the_width_and_never_under_a_tenth(layout: Layout) -> None:
    """Sizes of letters are seen in their ink: a capital grows with the letter's size, and a plain C at 240 is the measure."""
    short = min(layout.size)
    tall = {name: height(layout, name) for name in ("C", *longest())}
    assert tall["C"] > 0
    size = {name: 240 * high / tall["C"] for name, high in tall.items()}
    assert size["C"] >= short / 6
    assert min(size.values()) >= 0.985 * short / 10  # a pixel of the ink's edge
    assert short / 14 <= LEAST


def longest() -> list[str]:
    """The widest names that a chord can have: of each quality C sharp, with a bass."""
    names = [f"C#{name}/G#" for name in QUALITIES]
    return sorted({signs(str(Chord.parse(name))) for name in names}, key=len)[-5:]


def height(layout: Layout, chord: str) -> int:
    """How high the first letter of the chord now is, in pixels of ink."""
    sheet = a_sheet()
    data: dict[str, Any] = page_timeline(sheet, perform(sheet))
    hands: list[Mapping[str, Any]] = [dict(hand) | {"chord": chord} for hand in data["hands"]]
    ink = colours(dark=False)
    pieces = Pieces(data | {"hands": hands}, ENGLISH, "title", layout, ink)
    moment = moments().at(1601)
    piece = next(piece for box, piece in pieces.at(moment) if box == layout.now)
    picture = Board(ink).picture(piece)[104:360, :, 0]
    light = picture > 128
    columns = np.nonzero(light.any(axis=0))[0]
    letter = light[:, columns[0] : columns[0] + 30]
    rows = np.nonzero(letter.any(axis=1))[0]
    return int(rows[-1] - rows[0] + 1)


def test_the_page_and_the_video_have_the_same_colours() -> None:
    css = (Path(__file__).parents[3] / "src/underbow/lesson/practice/page.css").read_text()
    for dark in (False, True):
        for name, colour in colours(dark=dark).items():
            assert f"--{name}: {colour}" in css
    assert colours(dark=False).keys() == colours(dark=True).keys()
    assert all(colours(dark=False)[name] != colours(dark=True)[name] for name in ("spruce", "ink", "field"))


def test_colours_become_what_libav_makes_of_them() -> None:
    """Squares of random colours, each held in its middle against swscale's conversion to BT.709, narrow range."""
    rng = np.random.default_rng(1)
    rgb = rng.integers(0, 256, (4, 6, 3), np.uint8).repeat(16, 0).repeat(16, 1)
    canvas = Canvas(96, 64)
    canvas.put(Box(0, 0, 96, 64), rgb)
    frame = av.VideoFrame.from_ndarray(rgb, "rgb24").reformat(
        format="yuv420p", dst_colorspace="ITU709", dst_color_range="MPEG"
    )
    whole, quarter = 96 * 64, 48 * 32
    ours, theirs = canvas.bytes.astype(int), frame.to_ndarray().ravel().astype(int)
    for start, size, across in ((0, whole, 96), (whole, quarter, 48), (whole + quarter, quarter, 48)):
        square = across // 6
        a, b = (
            plane[start : start + size].reshape(-1, across)[square // 2 :: square, square // 2 :: square]
            for plane in (ours, theirs)
        )
        assert a.shape == (4, 6)
        assert np.abs(a - b).max() <= 1
    assert np.abs(canvas.rgb().astype(int) - rgb.astype(int)).max() <= 4


def test_a_picture_is_the_same_whatever_was_shown_before() -> None:
    """Only what changed is painted: the last picture after all the others equals that of a painter who begins with it."""
    sheet = a_sheet(between=1, progression="D7 | A7 | G")
    performance = perform(sheet)
    one, times = Painter(sheet, performance, VideoOptions(), ENGLISH), list(np.arange(0, 9000, 133.0))
    for time in times:
        seen = one.picture(time).copy()
        if time in times[::17]:
            other = Painter(sheet, performance, VideoOptions(), ENGLISH)
            assert np.array_equal(seen, other.picture(time))


def test_the_board_tells_apart_what_is_told(tmp_path: Path) -> None:
    """Dark and light, upright and wide differ; a cover is a PNG of the whole board."""
    sheet = a_sheet()
    performance = perform(sheet)
    seen = {}
    for wide, dark in itertools.product((False, True), repeat=2):
        painter = Painter(sheet, performance, VideoOptions(wide, dark), ENGLISH)
        seen[wide, dark] = painter.cover()
        (tmp_path / "cover.png").write_bytes(seen[wide, dark])
        with av.open(str(tmp_path / "cover.png")) as image:
            stream = image.streams.video[0]
            assert (stream.width, stream.height) == VideoOptions(wide, dark).size
    assert len(set(seen.values())) == 4
