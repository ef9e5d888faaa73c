"""Which step the work is in, for whoever looks on: where a native library ends the program, no word of ours comes after it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

__all__ = ["look_on", "step"]

_lookers: list[Callable[[str, bool], None]] = []


def look_on(looker: Callable[[str, bool], None]) -> None:
    """Have every step told to a function: what it is, and whether it begins or has ended."""
    _lookers.append(looker)


@contextmanager
def step(what: str) -> Iterator[None]:
    """Mark a piece of work in which a native library could die, such as ``loading the SoundFont FluidR3_GM.sf2``.

    >>> with step("setting the printed sheet"):
    ...     pass
    """
    for looker in _lookers:
        looker(what, True)
    try:
        yield
    finally:
        for looker in _lookers:
            looker(what, False)
