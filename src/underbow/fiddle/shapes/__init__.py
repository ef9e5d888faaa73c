"""Which fingers stop a chord."""
