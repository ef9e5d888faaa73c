"""Which melody suits some chords."""
