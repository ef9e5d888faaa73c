"""Where things stand on the board: boxes in pixels, all edges even, because colours are kept for two by two pixels."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["LEAST", "UPRIGHT", "WIDE", "Box", "Layout"]

LEAST = 78  # pixels of the smallest letters: a fourteenth of the shorter side, to be read at two metres on a phone


@dataclass(frozen=True, slots=True)
class Box:
    """A part of the picture, in pixels from its upper left corner."""

    x: int
    y: int
    w: int
    h: int


@dataclass(frozen=True, slots=True)
class Layout:
    """The board's parts.

    Parameters
    ----------
    size : (int, int)
    playing, bar, tempo : Box
        Which pass, which bar, how fast.
    now, head, coming, left : Box
        What is held; the words over what comes; what comes; the beats until then.
    bow, staff : Box
    """

    size: tuple[int, int]
    playing: Box
    bar: Box
    tempo: Box
    now: Box
    head: Box
    coming: Box
    left: Box
    bow: Box
    staff: Box

    @property
    def wide(self) -> bool:
        """Whether it lies across."""
        return self.size[0] > self.size[1]


UPRIGHT = Layout(
    (1080, 1920),
    Box(0, 0, 404, 216),
    Box(404, 0, 280, 216),
    Box(684, 0, 396, 216),
    Box(0, 216, 1080, 620),
    Box(0, 836, 1080, 96),
    Box(0, 932, 780, 256),
    Box(780, 932, 300, 256),
    Box(0, 1188, 1080, 396),
    Box(0, 1584, 1080, 336),
)
WIDE = Layout(
    (1920, 1080),
    Box(0, 0, 600, 120),
    Box(600, 0, 560, 120),
    Box(1160, 0, 760, 120),
    Box(0, 120, 1160, 560),
    Box(1160, 120, 760, 96),
    Box(1160, 216, 760, 256),
    Box(1160, 472, 760, 208),
    Box(0, 680, 960, 400),
    Box(960, 680, 960, 400),
)
