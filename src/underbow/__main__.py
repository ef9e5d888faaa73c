"""``python -m underbow``."""

from underbow.cli import main

if __name__ == "__main__":
    main()
