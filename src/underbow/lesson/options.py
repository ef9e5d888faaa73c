"""What a lesson is asked to hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from underbow.errors import InputError, near_miss
from underbow.lesson.print.handout import Paper
from underbow.sound.options import RenderOptions
from underbow.track.mixes import Mix

__all__ = ["LessonOptions", "usual_mix"]

USUAL = "backup turn"


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
    tracks : tuple of str
        Names of the mixes that become audio files; ``all`` for every one. Where it is empty the one that the learner backs
        up, ``backup turn``, or a sheet's first: the practice page plays all of them, and a lesson is to be small enough to mail.
    site : bool
        Whether the page's sound lies in files beside it, for a web server, instead of in the page.
    """

    sound: RenderOptions = RenderOptions(formats=("mp3",), mono=True)
    paper: Paper = "a4"
    each_tempo: bool = False
    tracks: tuple[str, ...] = ()
    site: bool = False

    def chosen(self, mixes: Sequence[Mix]) -> tuple[Mix, ...]:
        """Choose the mixes that become audio files.

        Raises
        ------
        InputError
            If there is no mix of a name.
        """
        if not self.tracks:
            return usual_mix(mixes)
        known = {mix.name.lower(): mix for mix in mixes}
        wanted = [word.strip().lower() for word in self.tracks]
        for word in wanted:
            if word not in known and word != "all":
                raise InputError(
                    f"no mix {word!r}{near_miss(word, known)}; choose from {', '.join(mix.name for mix in mixes)}, or all"
                )
        return tuple(mix for name, mix in known.items() if name in wanted or "all" in wanted)


def usual_mix(mixes: Sequence[Mix]) -> tuple[Mix, ...]:
    """Choose the one that the learner backs up, or else the first."""
    return tuple(mix for mix in mixes if mix.name == USUAL)[:1] or tuple(mixes[:1])
