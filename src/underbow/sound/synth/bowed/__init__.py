"""The bowed string, computed from how it moves."""
