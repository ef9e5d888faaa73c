"""How it is practised."""

from underbow.track.midi.score import to_midi
from underbow.track.mixes import STANDARD_MIXES, Mix
from underbow.track.performance import Gesture, Manner, Part, Performance, Sounded
from underbow.track.ramp import Ramp, TempoMap
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet, read_sheet

__all__ = [
    "STANDARD_MIXES",
    "Gesture",
    "Manner",
    "Mix",
    "Part",
    "Performance",
    "Ramp",
    "Sheet",
    "Sounded",
    "TempoMap",
    "build_sheet",
    "perform",
    "read_sheet",
    "to_midi",
]
