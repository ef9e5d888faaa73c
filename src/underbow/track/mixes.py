"""Mixes: which parts are heard, how loud, and from which pass on.

A mix says a level in dB for each part, one for all passes or one a pass: the last one stays, so that a guide fades away.
"""

from __future__ import annotations

from dataclasses import dataclass

PARTS = ("melody", "backup", "rhythm", "click", "drone", "tuning")
# Parts that a sheet asks for by a switch of their own: a mix that is silent about them lets them be heard.
ASKED_FOR = {"drone": -15.0, "tuning": -6.0}
Levels = tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Mix:
    """A mix of the parts.

    Parameters
    ----------
    name : str
    levels : tuple of (str, tuple of (float or None))
        For each part its dB, pass by pass; None is off. A part that isn't named is off.
    turns : bool
        Whether the levels go by playing instead of by tempo, and start again from the first after the last one.

    >>> guide = Mix("backup turn", (("melody", (0.0,)), ("backup", (-6.0, -12.0, None))))
    >>> [guide.level("backup", number) for number in (1, 2, 3, 4)], guide.level("click", 1)
    ([-6.0, -12.0, None, None], None)
    """

    name: str
    levels: tuple[tuple[str, Levels], ...]
    turns: bool = False

    def __post_init__(self) -> None:
        for part, levels in self.levels:
            if part not in PARTS:
                raise ValueError(f"a part is one of {', '.join(PARTS)}, not {part!r}")
            if not levels:
                raise ValueError(f"{part} has no level")

    def level(self, part: str, number: int, playing: int | None = None) -> float | None:
        """Give the level of a part in a pass; None where it is off.

        Parameters
        ----------
        part : str
        number : int
            Of the pass's tempo, from 1; 0 or less, the count-in, is as the first.
        playing : int, optional
            Of the pass among all; the same as ``number`` where each tempo is played once.
        """
        for name, levels in self.levels:
            if name == part:
                place = max((playing or number) if self.turns else number, 1) - 1
                return levels[place % len(levels) if self.turns else min(place, len(levels) - 1)]
        return ASKED_FOR.get(part)


STANDARD_MIXES: tuple[Mix, ...] = (
    # The learner backs up the melody; the backup is a guide that fades pass by pass.
    Mix(
        "backup turn",
        (("melody", (0.0,)), ("backup", (-6.0, -12.0, -18.0, None)), ("rhythm", (-6.0,)), ("click", (-9.0,))),
    ),
    # The learner plays the melody over the backup; the melody is the guide.
    Mix(
        "tune turn",
        (("melody", (-6.0, -12.0, -18.0, None)), ("backup", (0.0,)), ("rhythm", (-6.0,)), ("click", (-9.0,))),
    ),
    # Backing up in the odd passes, playing the tune in the even ones.
    Mix(
        "take turns",
        (("melody", (0.0, None)), ("backup", (None, 0.0)), ("rhythm", (-6.0,)), ("click", (-9.0,))),
        turns=True,
    ),
    # Everything, to hear how it goes.
    Mix("together", (("melody", (0.0,)), ("backup", (-3.0,)), ("rhythm", (-6.0,)), ("click", (-9.0,)))),
)
