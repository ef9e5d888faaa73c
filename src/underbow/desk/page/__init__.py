"""The page itself: HTML, style and ES modules, served as they are."""
