"""What is being played."""

from underbow.tune.abc.reader import read_abc
from underbow.tune.source import load_tune, load_tunes
from underbow.tune.transpose import transposed
from underbow.tune.tune import Bar, Measure, Melody, MelodyNote, Note, Section, Tune

__all__ = [
    "Bar",
    "Measure",
    "Melody",
    "MelodyNote",
    "Note",
    "Section",
    "Tune",
    "load_tune",
    "load_tunes",
    "read_abc",
    "transposed",
]
