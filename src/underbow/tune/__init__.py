"""What is being played."""
