"""The left hand, in one place: what a hand shape is, which a chord has, and the best path through a progression.

The parts: :mod:`~underbow.fiddle.fingerboard` (where fingers come down), :mod:`~underbow.fiddle.shape_search` (every shape
of a chord), :mod:`~underbow.fiddle.shape_cost` (what a shape and a change cost, with every weight),
:mod:`~underbow.fiddle.shape_path` (the easiest path), :mod:`~underbow.fiddle.shape_told` (what is worth telling).
"""

from underbow.fiddle.fingerboard import HandShape, Stop
from underbow.fiddle.shape_path import Solution, Step, solve
from underbow.fiddle.shape_search import Technique, pinned_shape, shapes_for

__all__ = ["HandShape", "Solution", "Step", "Stop", "Technique", "pinned_shape", "shapes_for", "solve"]
