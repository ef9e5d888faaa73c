"""The left hand, in one place: what a hand shape is, which a chord has, and the best path through a progression.

The parts: :mod:`~underbow.fiddle.shapes.fingerboard` (where fingers come down), :mod:`~underbow.fiddle.shapes.search` (every
shape of a chord), :mod:`~underbow.fiddle.shapes.cost` (what a shape costs, with every weight),
:mod:`~underbow.fiddle.shapes.change` (what the hand does between two shapes),
:mod:`~underbow.fiddle.shapes.path` (the easiest path), :mod:`~underbow.fiddle.shapes.told` (what is worth telling), and for the
eye :mod:`~underbow.fiddle.drawing.shape_text`, :mod:`~underbow.fiddle.drawing.shape_svg` and :mod:`~underbow.fiddle.shapes.list`.
"""

from underbow.fiddle.drawing.shape_svg import draw_svg
from underbow.fiddle.drawing.shape_text import draw_text
from underbow.fiddle.shapes.fingerboard import HandShape, Stop
from underbow.fiddle.shapes.list import list_text, shapes_json
from underbow.fiddle.shapes.path import Solution, Step, solve
from underbow.fiddle.shapes.search import Technique, pinned_shape, shapes_for

__all__ = [
    "HandShape",
    "Solution",
    "Step",
    "Stop",
    "Technique",
    "draw_svg",
    "draw_text",
    "list_text",
    "pinned_shape",
    "shapes_for",
    "shapes_json",
    "solve",
]
