"""A small pattern file without a fault, for tests that change a line of it."""

PATTERN_FILE = """
title  = "Test"
meter  = "4/4"
cells  = 8
bow    = "d - u d u - d u"
accent = "6 . 9 5 6 . 9 5"
tempo  = { beat = "1/2", low = 60, high = 120 }
source = "common practice"
about  = "A test."
"""
