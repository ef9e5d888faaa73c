"""Our TOML files, track sheets and patterns, read alike: the text, the tables in it, and what may stand in each."""

from underbow.tables.text import read_text
from underbow.tables.toml import is_pattern, is_sheet, looks_like_toml, read_table

__all__ = ["is_pattern", "is_sheet", "looks_like_toml", "read_table", "read_text"]
