"""Ready track sheets with their tunes."""
