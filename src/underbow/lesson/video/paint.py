"""The picture as the encoder takes it: planes of brightness and colour (4:2:0), painted part by part.

Conversion after Recommendation ITU-R BT.709-6, narrow range. Colours are kept for two by two pixels: all edges are even.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from underbow.lesson.video.layout import Box

__all__ = ["Canvas", "Drawing", "Shade", "shade"]

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]
Shade = tuple[float, float, float]  # Y, Cb, Cr

_RED, _BLUE = 0.2126, 0.0722
_WEIGHTS = np.array([_RED, 1 - _RED - _BLUE, _BLUE], np.float32)


def shade(colour: str) -> Shade:
    """Convert a colour to Y, Cb, Cr.

    >>> [round(value) for value in shade("#ffffff")], [round(value) for value in shade("#000000")]
    ([235, 128, 128], [16, 128, 128])
    """
    rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)], np.float32)[None, None]
    y, u, v = _converted(rgb)
    return float(y[0, 0]), float(u[0, 0]), float(v[0, 0])


def _converted(rgb: Floats) -> tuple[Floats, Floats, Floats]:
    """R, G, B (0 to 255, shape (rows, columns, 3)) to Y, Cb, Cr of the same rows and columns."""
    luma = rgb @ _WEIGHTS
    blue = (rgb[..., 2] - luma) * np.float32(224 / 255 / (2 * (1 - _BLUE)))
    red = (rgb[..., 0] - luma) * np.float32(224 / 255 / (2 * (1 - _RED)))
    return luma * np.float32(219 / 255) + 16, blue + 128, red + 128


def _halved(plane: Floats) -> Floats:
    """The mean of every two by two."""
    rows, columns = plane.shape
    mean: Floats = plane.reshape(rows // 2, 2, columns // 2, 2).mean(axis=(1, 3), dtype=np.float32)
    return mean


def _bytes(plane: Floats) -> Bytes:
    return (plane + np.float32(0.5)).astype(np.uint8)


class Canvas:
    """A picture in yuv420p.

    Parameters
    ----------
    width, height : int
        Even.

    Examples
    --------
    >>> canvas = Canvas(4, 2)
    >>> canvas.fill(Box(0, 0, 2, 2), shade("#ffffff"))
    >>> canvas.bytes.tolist()
    [235, 235, 16, 16, 235, 235, 16, 16, 128, 128, 128, 128]
    """

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self.bytes: Bytes = np.empty(width * height * 3 // 2, np.uint8)
        whole, quarter = width * height, width * height // 4
        self._y = self.bytes[:whole].reshape(height, width)
        self._u = self.bytes[whole : whole + quarter].reshape(height // 2, width // 2)
        self._v = self.bytes[whole + quarter :].reshape(height // 2, width // 2)
        self.fill(Box(0, 0, width, height), (16, 128, 128))

    def _planes(self, box: Box) -> tuple[Bytes, Bytes, Bytes]:
        x, y, right, below = box.x, box.y, box.x + box.w, box.y + box.h
        half = np.s_[y // 2 : below // 2, x // 2 : right // 2]
        return self._y[y:below, x:right], self._u[half], self._v[half]

    def fill(self, box: Box, colour: Shade) -> None:
        """Paint a box in one colour."""
        for plane, value in zip(self._planes(box), colour, strict=True):
            plane[:] = round(value)

    def put(self, box: Box, rgb: Bytes) -> None:
        """Paint a picture, of shape (rows, columns, 3), into a box of its size."""
        luma, blue, red = _converted(rgb.astype(np.float32))
        for plane, made in zip(self._planes(box), (luma, _halved(blue), _halved(red)), strict=True):
            plane[:] = _bytes(made)

    def ink(self, box: Box, cover: Floats, ink: Shade, ground: Shade) -> None:
        """Paint what covers a ground so far (0 to 1, shape (rows, columns)) in one colour."""
        covers = cover, _halved(cover), _halved(cover)
        for plane, share, top, below in zip(self._planes(box), covers, ink, ground, strict=True):
            plane[:] = _bytes(below + share * np.float32(top - below))

    def rgb(self) -> Bytes:
        """Give the picture as red, green, blue, of shape (height, width, 3)."""
        luma = (self._y.astype(np.float32) - 16) * np.float32(255 / 219)
        blue, red = (
            (plane.repeat(2, 0).repeat(2, 1).astype(np.float32) - 128) * np.float32(255 / 224)
            for plane in (self._u, self._v)
        )
        r, b = luma + 2 * (1 - _RED) * red, luma + 2 * (1 - _BLUE) * blue
        g = (luma - _RED * r - _BLUE * b) / (1 - _RED - _BLUE)
        rgb: Bytes = np.clip(np.stack([r, g, b], axis=-1) + 0.5, 0, 255).astype(np.uint8)
        return rgb

    def copy(self, box: Box) -> tuple[Bytes, ...]:
        """Keep what is in a box."""
        return tuple(plane.copy() for plane in self._planes(box))

    def restore(self, box: Box, kept: Sequence[Bytes]) -> None:
        """Put back what was kept."""
        for plane, before in zip(self._planes(box), kept, strict=True):
            plane[:] = before

    def spot(self, box: Box, x: float, y: float, radius: float, colour: Shade) -> None:
        """Paint a disc into a box that holds it; x and y are pixels of the whole picture."""
        rows = np.arange(box.y, box.y + box.h, dtype=np.float32)[:, None] + np.float32(0.5 - y)
        columns = np.arange(box.x, box.x + box.w, dtype=np.float32)[None] + np.float32(0.5 - x)
        cover = np.clip(np.float32(radius + 0.5) - np.hypot(rows, columns), 0, 1).astype(np.float32)
        for plane, share, value in zip(self._planes(box), (cover, _halved(cover), _halved(cover)), colour, strict=True):
            plane[:] = _bytes(plane + share * (np.float32(value) - plane))


class Drawing:
    """A drawing in one colour, by how far it covers each pixel.

    Parameters
    ----------
    rgba : uint8 array, shape (rows, columns, 4)
    """

    def __init__(self, rgba: Bytes) -> None:
        self._cover = np.ascontiguousarray(rgba[..., 3])

    def paint(
        self, canvas: Canvas, box: Box, ink: Shade, ground: Shade, columns: tuple[int, int] | None = None
    ) -> None:
        """Paint it, or some of its columns, which must be even, on a ground."""
        left, right = columns or (0, box.w)
        if left < right:
            cover = self._cover[:, left:right].astype(np.float32) * np.float32(1 / 255)
            canvas.ink(Box(box.x + left, box.y, right - left, box.h), cover, ink, ground)
