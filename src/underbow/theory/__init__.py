"""What is a note, a key, a chord, a meter, a tempo, a progression."""

from underbow.theory.chord import Chord
from underbow.theory.key import Key
from underbow.theory.meter import Meter, Tempo
from underbow.theory.pitch import Pitch, PitchClass, cents, frequency
from underbow.theory.progression import ChordSpan, Progression

__all__ = ["Chord", "ChordSpan", "Key", "Meter", "Pitch", "PitchClass", "Progression", "Tempo", "cents", "frequency"]
