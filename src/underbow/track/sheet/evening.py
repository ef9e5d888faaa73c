"""Whole bars where sections meet: what careless writing leaves short or over there, evened out as players do."""

from __future__ import annotations

from dataclasses import replace

from underbow.track.sheet.laying import Layer, Piece, full_bars
from underbow.tune.tune import Melody


def evened(melody: Melody) -> tuple[Melody, tuple[str, ...]]:
    """Make whole bars where sections meet, as players do who keep the beat; say what was done.

    A bar that is short at the end of a section is filled with a rest. A section's pickup that comes after a full bar is played
    over that bar's end. What is short elsewhere stays so, and so does the last bar of all.
    """
    pieces, waited, over_end = _pieces(melody)
    told = []
    if waited:
        told.append(f"{_bars(waited)} short at the end of a section: filled with a rest")
    if over_end:
        told.append(f"{_bars(over_end)} full before a pickup: the pickup is played over the end")
    return (Layer(melody).laid(pieces) if told else melody), tuple(told)


def numbers_before(melody: Melody) -> tuple[int, ...]:
    """Give the number that each bar of the evened melody had before, without the pickup's."""
    return tuple(piece.number for piece in _pieces(melody)[0])


def _pieces(melody: Melody) -> tuple[list[Piece], list[int], list[int]]:
    """Give the bars to play, the numbers of those that are waited out and of those that a pickup is laid over."""
    begins = {section.first_bar for section in melody.sections}
    bars = full_bars(melody)
    pieces: list[Piece] = []
    waited: list[int] = []
    over_end: list[int] = []
    first = False
    for i, bar in enumerate(bars):
        short, first = bar.length < bar.meter.bar, first or bar.number in begins
        following = bars[i + 1] if i + 1 < len(bars) else None
        if following is not None and following.length >= following.meter.bar and short:
            if first and pieces and not pieces[-1].tail and bars[i - 1].length >= bars[i - 1].meter.bar:
                pieces[-1] = replace(pieces[-1], tail=bar.number)
                over_end.append(bar.number - 1)
                continue
            if following.number in begins:
                waited.append(bar.number)
        pieces.append(Piece(bar.number, bar.section, first))
        first = False
    return pieces, waited, over_end


def _bars(numbers: list[int]) -> str:
    return f"bar {numbers[0]} is" if len(numbers) == 1 else f"bars {', '.join(map(str, numbers))} are"
