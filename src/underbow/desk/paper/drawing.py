"""What the paper shows, drawn by what draws the print: staff, hands, bow.

Every drawing is SVG without identifiers, styles or scripts, so that a page whose policy forbids these shows it as it is.
Measures and notes of a staff are marked by ``data-measure`` and ``data-note``, as the engraver counts them.
"""

from __future__ import annotations

from functools import lru_cache

from underbow.fiddle.drawing.shape_svg import draw_svg
from underbow.fiddle.shapes.fingerboard import HandShape
from underbow.lesson.print.engrave import engrave_marked
from underbow.theory.chord import Chord
from underbow.tune.tune import Tune

__all__ = ["NARROW", "WIDE", "hand", "staff"]

WIDE, NARROW = 1000, 420  # pixels; the page shows the staff that its own width suits


@lru_cache(maxsize=16)
def staff(tune: Tune, width: int = WIDE) -> str:
    """Engrave a tune for a width in pixels."""
    return engrave_marked(tune, width, "staff", as_written=width >= WIDE)


def hand(chord: Chord, shape: HandShape) -> str:
    """Draw the fingers of one chord on all four strings."""
    return draw_svg([(chord, shape)], columns=1, font="inherit")
