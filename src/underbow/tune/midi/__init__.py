"""Which tune a MIDI file holds."""
