"""What the learner's practice page shows and plays."""
