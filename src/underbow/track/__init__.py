"""How it is practised."""
