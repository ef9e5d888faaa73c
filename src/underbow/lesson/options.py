"""What a lesson is asked to hold."""

from __future__ import annotations

from dataclasses import dataclass

from underbow.lesson.print.handout import Paper
from underbow.sound.options import RenderOptions

__all__ = ["LessonOptions"]


@dataclass(frozen=True, slots=True)
class LessonOptions:
    """What each sheet of a lesson is asked for.

    Parameters
    ----------
    sound : RenderOptions
        Of the tracks, and by its voices of the practice page too. Their loudness and names are the sheet's.
    paper : {"a4", "us-letter"}
    each_tempo : bool
        Whether every tempo of the ramp gets a track of its own, once through.
    """

    sound: RenderOptions = RenderOptions(formats=("mp3",))
    paper: Paper = "a4"
    each_tempo: bool = False
