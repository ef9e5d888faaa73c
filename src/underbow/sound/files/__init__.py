"""What is written to disk, and what is told of it."""
