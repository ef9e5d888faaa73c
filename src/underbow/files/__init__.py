"""Files that are there whole or not at all, names that every system takes, and what can go wrong with either."""

from underbow.files.names import safe_name
from underbow.files.trouble import make_folder, output_error, plain_file
from underbow.files.whole import digest, whole_file, write_whole

__all__ = ["digest", "make_folder", "output_error", "plain_file", "safe_name", "whole_file", "write_whole"]
