"""Paints the pictures of a video one after the other: what has changed since the one before, and nothing else."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from math import floor
from typing import Any

import numpy as np
import numpy.typing as npt

from underbow.fiddle.drawing.grid_svg import AFAR, BAR_WIDTH
from underbow.lesson.letters import shown
from underbow.lesson.timeline import page_timeline
from underbow.lesson.video.board import Board, pillow
from underbow.lesson.video.layout import UPRIGHT, WIDE, Box
from underbow.lesson.video.moments import Moment, Moments, measures_at
from underbow.lesson.video.options import VideoOptions
from underbow.lesson.video.paint import Canvas, Drawing, Shade, shade
from underbow.lesson.video.pieces import Piece, Pieces, coloured
from underbow.lesson.video.staff import staff_lines
from underbow.lesson.words import ENGLISH as HANDED_OUT
from underbow.text import one_line
from underbow.track.performance import Performance
from underbow.track.sheet.model import Sheet

__all__ = ["Painter", "colours"]

_MARK = 0.38  # how strongly the bar that is played is marked on the staff, as on the page
_POINT, _RIM = 7.0, 9.0  # units of the bow's picture: the moving point, and the ring round it
_LONGEST = 70  # characters of a title that are shown
_SIDE = 20  # pixels left and right of the bow's picture
_CELL = re.compile(r'class="cell" x="([\d.]+)" y="0" width="([\d.]+)"')
_HEIGHT = re.compile(r'viewBox="0 0 [\d.]+ ([\d.]+)"')


@cache
def colours(*, dark: bool) -> dict[str, str]:
    """Give the practice page's own colours by name, read where they are decided.

    >>> colours(dark=False)["rosin"]
    '#f2a81d'
    """
    css = files("underbow.lesson.practice").joinpath("page.css").read_text(encoding="utf-8")
    blocks = [css] + ([css[css.index("prefers-color-scheme: dark") :]] if dark else [])
    found: dict[str, str] = {}
    for block in blocks:
        found |= dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block[: block.index("}")]))
    return found


class Painter:
    """Paints a performance.

    Parameters
    ----------
    sheet : Sheet
    performance : Performance
        Of this sheet.
    options : VideoOptions
    words : mapping of str to str
        As :data:`~underbow.lesson.practice.words.ENGLISH`.

    Attributes
    ----------
    left_out : tuple of str
        What of the title no font of this machine has.
    """

    def __init__(self, sheet: Sheet, performance: Performance, options: VideoOptions, words: Mapping[str, str]) -> None:
        self.data: dict[str, Any] = page_timeline(sheet, performance, rows=AFAR)
        self._layout = WIDE if options.wide else UPRIGHT
        ink = colours(dark=options.dark)
        self._ink = ink["ink"]
        self._shades = {name: shade(colour) for name, colour in ink.items()}
        title = shown(one_line(sheet.title, _LONGEST))
        self.left_out = title.left_out
        self._board = Board(ink, system_fonts=title.system_fonts)
        self._moments = Moments(self.data, measures_at(performance.timeline, self.data))
        self._pieces = Pieces(self.data, words, title.text or HANDED_OUT["no_title"], self._layout, ink)
        self._bow = _Bow(self.data["pictures"], self._layout.bow, ink["ink"])
        self._lines = staff_lines(sheet, self._layout.staff)
        self._places = {
            index: (number, (left, right))
            for number, line in enumerate(self._lines)
            for index, left, right in line.measures
        }
        self._canvas = Canvas(*self._layout.size)
        self._canvas.fill(self._layout.bow, self._shades["field"])
        self._canvas.fill(self._layout.staff, self._shades["spruce"])
        self._shown: dict[Box, Piece] = {}
        self._moment: Moment | None = None
        self._under: tuple[Box, tuple[npt.NDArray[np.uint8], ...]] | None = None

    def cover(self) -> bytes:
        """Give the board at the first chord, as PNG."""
        first = self.data["chords"][0][0] if self.data["chords"] else self.data["passes"][0][0]
        self.picture(first)
        out = io.BytesIO()
        pillow().fromarray(self._canvas.rgb()).save(out, "PNG")
        return out.getvalue()

    def picture(self, time: float) -> npt.NDArray[np.uint8]:
        """Give the picture at a time (milliseconds), as the encoder takes it; valid until the next is asked for."""
        moment = self._moments.at(time)
        if self._under is not None:
            self._canvas.restore(*self._under)
            self._under = None
        if moment != self._moment:
            self._change(moment, self._moment)
            self._moment = moment
        self._point(time, moment)
        return self._canvas.bytes

    def last(self) -> npt.NDArray[np.uint8]:
        """Give the picture after the music: what to take care of."""
        self._put(Box(0, 0, *self._layout.size), self._pieces.care())
        return self._canvas.bytes

    def _put(self, box: Box, piece: Piece) -> None:
        if self._shown.get(box) != piece:
            self._canvas.put(box, self._board.picture(piece)[..., :3])
            self._shown[box] = piece

    def _change(self, moment: Moment, before: Moment | None) -> None:
        for box, piece in self._pieces.at(moment):
            self._put(box, piece)
        if before is None or (moment.picture, moment.bar, moment.cell) != (before.picture, before.bar, before.cell):
            self._change_bow(moment, before)
        if before is None or moment.measure != before.measure:
            self._change_staff(moment)

    def _change_bow(self, moment: Moment, before: Moment | None) -> None:
        """Paint the bar's picture, or only the cells that have gone out and that are lit."""
        bow, box = self._bow, self._layout.bow
        drawing = self._drawing(bow.piece(moment.picture))
        ink, field, rosin = (self._shades[name] for name in ("ink", "field", "rosin"))
        if before is None or before.picture != moment.picture:
            drawing.paint(self._canvas, box, ink, field)
        elif before.cell >= 0:
            drawing.paint(self._canvas, box, ink, field, bow.columns(before.picture, before.cell))
        if moment.cell >= 0:
            drawing.paint(self._canvas, box, ink, rosin, bow.columns(moment.picture, moment.cell))

    def _change_staff(self, moment: Moment) -> None:
        box = self._layout.staff
        number, columns = self._places.get(moment.measure, (0, (0, 0)))
        if not self._lines:
            return
        line = self._lines[number]
        piece = _drawing(box, coloured(line.svg, self._ink), *line.size)
        drawing = self._drawing(piece)
        ink, ground = self._shades["ink"], self._shades["spruce"]
        drawing.paint(self._canvas, box, ink, ground)
        drawing.paint(self._canvas, box, ink, _mixed(ground, self._shades["rosin"], _MARK), columns)

    def _drawing(self, piece: Piece) -> Drawing:
        return Drawing(self._board.picture(piece))

    def _point(self, time: float, moment: Moment) -> None:
        """Paint the moving point, and keep what it hides."""
        place = self._moments.point(time, moment)
        if place is None:
            return
        x, y, scale = self._bow.pixels(moment.picture, *place)
        reach = _RIM * scale + 2
        box = _around(x, y, reach, self._canvas.width, self._canvas.height)
        self._under = box, self._canvas.copy(box)
        self._canvas.spot(box, x, y, _RIM * scale, self._shades["field"])
        self._canvas.spot(box, x, y, _POINT * scale, self._shades["varnish"])


class _Bow:
    """The pictures of bars in their box."""

    def __init__(self, pictures: list[Mapping[str, Any]], box: Box, ink: str) -> None:
        self._pictures, self._box, self._ink = pictures, box, ink

    def _sized(self, number: int) -> tuple[float, float, float]:
        """Scale, and where the picture's origin lies in its box."""
        found = _HEIGHT.search(self._pictures[number]["svg"])
        high = float(found[1]) if found else 1.0
        scale = min((self._box.w - 2 * _SIDE) / (BAR_WIDTH + 2), self._box.h / high)
        return scale, (self._box.w - scale * (BAR_WIDTH + 2)) / 2, (self._box.h - scale * high) / 2

    def piece(self, number: int) -> Piece:
        _, left, top = self._sized(number)
        return _drawing(
            self._box, coloured(self._pictures[number]["svg"], self._ink), self._box.w - 2 * left, self._box.h - 2 * top
        )

    def columns(self, number: int, cell: int) -> tuple[int, int]:
        """The columns of a cell in the box, even."""
        scale, left, _ = self._sized(number)
        x, wide = map(float, _CELL.findall(self._pictures[number]["svg"])[cell])
        return 2 * floor((left + scale * x) / 2), 2 * floor((left + scale * (x + wide)) / 2)

    def pixels(self, number: int, x: float, y: float) -> tuple[float, float, float]:
        """A place of a picture in pixels of the whole board, and the scale."""
        scale, left, top = self._sized(number)
        return self._box.x + left + scale * x, self._box.y + top + scale * y, scale


def _drawing(box: Box, svg: str, wide: float, high: float) -> Piece:
    size = {"wide": round(wide, 2), "high": round(high, 2)}
    return {"kind": "drawing", "w": box.w, "h": box.h, "ground": "", "ink": "ink", "svg": svg} | size


def _mixed(ground: Shade, top: Shade, share: float) -> Shade:
    y, u, v = (below + share * (above - below) for below, above in zip(ground, top, strict=True))
    return y, u, v


def _around(x: float, y: float, reach: float, width: int, height: int) -> Box:
    """An even box round a point, inside the picture."""
    left, top = (max(2 * floor((at - reach) / 2), 0) for at in (x, y))
    right, below = (min(2 * floor((at + reach) / 2) + 2, most) for at, most in ((x, width), (y, height)))
    return Box(left, top, right - left, below - top)
