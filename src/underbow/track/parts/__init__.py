"""What each player plays."""
