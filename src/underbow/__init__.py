"""Underbow: play-along tracks for fiddlers who back up the tune."""

__version__ = "0.1.0"
