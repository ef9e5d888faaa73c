"""What is a note, a key, a chord, a meter, a tempo, a progression."""
