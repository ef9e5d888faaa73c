"""Files that are there whole or not at all, names that every system takes, and what can go wrong with either."""
