"""What is printed for the music stand."""
