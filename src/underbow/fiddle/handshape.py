"""The left hand, in one place: what a hand shape is, which a chord has, and the best path through a progression.

The parts: :mod:`~underbow.fiddle.fingerboard` (where fingers come down), :mod:`~underbow.fiddle.shape_search` (every shape
of a chord), :mod:`~underbow.fiddle.shape_cost` (what a shape costs, with every weight),
:mod:`~underbow.fiddle.shape_change` (what the hand does between two shapes),
:mod:`~underbow.fiddle.shape_path` (the easiest path), :mod:`~underbow.fiddle.shape_told` (what is worth telling), and for the eye
:mod:`~underbow.fiddle.shape_text`, :mod:`~underbow.fiddle.shape_svg` and :mod:`~underbow.fiddle.shape_list`.
"""

from underbow.fiddle.fingerboard import HandShape, Stop
from underbow.fiddle.shape_list import list_text, shapes_json
from underbow.fiddle.shape_path import Solution, Step, solve
from underbow.fiddle.shape_search import Technique, pinned_shape, shapes_for
from underbow.fiddle.shape_svg import draw_svg
from underbow.fiddle.shape_text import draw_text

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
