"""Writing a tune down from somebody's playing of it."""
