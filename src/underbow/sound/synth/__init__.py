"""How our own instruments sound."""
