"""Files that are there whole or not at all, names that every system takes, and what can go wrong with either."""

from underbow.files.names import safe_name
from underbow.files.trouble import make_folder, output_error, plain_file, shown_as
from underbow.files.whole import digest, whole_file, write_whole
from underbow.files.workplace import clear_leftovers, workplace

__all__ = [
    "clear_leftovers",
    "digest",
    "make_folder",
    "output_error",
    "plain_file",
    "safe_name",
    "shown_as",
    "whole_file",
    "workplace",
    "write_whole",
]
