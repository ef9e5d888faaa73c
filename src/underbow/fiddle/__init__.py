"""What the bow and the left hand do."""
