"""The command line: the only place that prints, and where errors become a line and an exit status."""

from underbow.cli.commands import app, main

__all__ = ["app", "main"]
