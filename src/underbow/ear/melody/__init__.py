"""Somebody playing the tune itself: where its notes and bars lie in a recording."""
