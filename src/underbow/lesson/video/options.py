"""What a video is asked for."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["VideoOptions"]


@dataclass(frozen=True, slots=True)
class VideoOptions:
    """What the videos of a sheet are asked for.

    Parameters
    ----------
    wide : bool
        1920 x 1080, for a screen, instead of 1080 x 1920, for a phone held upright.
    dark : bool
        Light letters on dark.

    Examples
    --------
    >>> VideoOptions(wide=True).size
    (1920, 1080)
    """

    wide: bool = False
    dark: bool = False

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels."""
        return (1920, 1080) if self.wide else (1080, 1920)
