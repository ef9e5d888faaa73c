"""What the bow and the left hand do."""

from underbow.fiddle.grid import AccentGrid, Pulse, Stroke
from underbow.fiddle.pattern import Pattern, find_pattern, library, read_pattern
from underbow.fiddle.shapes.handshape import HandShape, Solution, Step, shapes_for, solve
from underbow.fiddle.tuning import Tuning

__all__ = [
    "AccentGrid",
    "HandShape",
    "Pattern",
    "Pulse",
    "Solution",
    "Step",
    "Stroke",
    "Tuning",
    "find_pattern",
    "library",
    "read_pattern",
    "shapes_for",
    "solve",
]
