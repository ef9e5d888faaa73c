"""What was played, held against the sheet."""
