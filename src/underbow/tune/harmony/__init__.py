"""Which chords suit a tune."""
