"""How a performance is written as a MIDI file."""
