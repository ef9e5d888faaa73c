"""The changes bar by bar as they are printed: what each bar holds, who decided it, and what else would do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from underbow.errors import InputError
from underbow.lesson.print.staff import staff_tune
from underbow.theory.chord import Chord
from underbow.theory.progression import ChordSpan
from underbow.track.sheet.model import Sheet
from underbow.tune.bars import printed_numbers
from underbow.tune.harmony.harmonise import SuggestedBar, harmonise
from underbow.tune.tune import Measure

__all__ = ["PrintedBar", "printed_bars"]

ACROSS = 4  # bars to a line where the page breaks none


@dataclass(frozen=True, slots=True)
class PrintedBar:
    """A bar of the page.

    Parameters
    ----------
    number : int
        As printed; 0 is the pickup.
    measures : tuple of int
        Indices of the tune's measures that it holds.
    section : str
    ending : tuple of int
    line : int
        Of the page, from 0.
    played : bool
        Whether the sheet plays it; one that is left out stands there all the same.
    chords : tuple of str
        In order; ``-`` for none. Empty for a bar that the sheet leaves out and has no chords for.
    decided : bool
        In ink: by the sheet or the tune; else it is a suggestion.
    sure : float or None
        How sure the suggestion is, 0 to 1; None where it is decided.
    others : tuple of (str, float)
        What would do, the likeliest first, each with the share of the bar that can be expected to be right.
    """

    number: int
    measures: tuple[int, ...]
    section: str
    ending: tuple[int, ...]
    line: int
    played: bool
    chords: tuple[str, ...]
    decided: bool
    sure: float | None
    others: tuple[tuple[str, float], ...]


def printed_bars(sheet: Sheet, table: Mapping[str, Any]) -> list[PrintedBar]:
    """Give the bars of a sheet's tune down the page.

    Parameters
    ----------
    sheet : Sheet
    table : mapping
        What is written in its file: it says what the teacher has decided.
    """
    tune = staff_tune(sheet)
    played, known = (
        {index for bar in melody.bars for index, _ in bar.measures} for melody in (sheet.melody, sheet.whole)
    )
    numbers = printed_numbers(tune)
    suggested = _suggested(sheet, numbers)
    own = table.get("changes")
    decided = {str(number) for number in own} if isinstance(own, dict) else set()
    bare = not any(span.chord for measure in sheet.tune.measures for span in measure.chords)
    all_decided = "progression" in table or "compose" in table or not (bare or sheet.progression is not None)
    out: list[PrintedBar] = []
    sounding = sheet.whole.chords[0].chord if sheet.whole.chords else None
    line, in_line = 0, 0
    for number in sorted(set(numbers)):
        places = tuple(i for i, n in enumerate(numbers) if n == number)
        measures = [tune.measures[i] for i in places]
        if places[0] and measures[0].ending_start and tune.measures[places[0] - 1].ending and out:
            sounding = _before_endings(out)
        chords, sounding = _chords(measures, sounding) if known.intersection(places) else ((), sounding)
        if number == 0 and not any(measure.chords for measure in measures):
            continue  # a pickup goes on with what sounds
        ink = all_decided or str(number) in decided
        hint = suggested.get(number)
        out.append(
            PrintedBar(
                number,
                places,
                measures[0].section,
                measures[0].ending,
                line,
                bool(played.intersection(places)),
                chords,
                ink,
                None if ink or hint is None else hint.sureness,
                _others(hint),
            )
        )
        in_line += number > 0
        breaks = any(measure.new_line for measure in tune.measures)
        if measures[-1].new_line or (not breaks and in_line >= ACROSS) or in_line >= 2 * ACROSS:
            line, in_line = line + 1, 0
    return out


def _suggested(sheet: Sheet, numbers: Sequence[int]) -> dict[int, SuggestedBar]:
    try:
        harmony = harmonise(sheet.tune)
    except InputError:
        return {}
    return {numbers[bar.measure]: bar for bar in reversed(harmony.bars)}


def _before_endings(bars: Sequence[PrintedBar]) -> Chord | None:
    """Give the chord that sounds where the endings begin: each of them follows the body."""
    body = next((bar for bar in reversed(bars) if not bar.ending and bar.chords), None)
    return Chord.parse(body.chords[-1]) if body is not None and body.chords[-1] != "-" else None


def _chords(measures: Sequence[Measure], sounding: Chord | None) -> tuple[tuple[str, ...], Chord | None]:
    """Name what sounds in a bar, and what sounds at its end."""
    out: list[Chord | None] = []
    for measure in measures:
        spans: tuple[ChordSpan, ...] = measure.chords
        if not out and (not spans or spans[0].start > 0):
            out.append(sounding)
        for span in spans:
            if not out or out[-1] != span.chord:
                out.append(span.chord)
        sounding = out[-1] if out else sounding
    return tuple(str(chord) if chord is not None else "-" for chord in out) or ("-",), sounding


def _others(hint: SuggestedBar | None) -> tuple[tuple[str, float], ...]:
    if hint is None:
        return ()
    first = (" ".join(map(str, hint.chords)) or "-", hint.sureness)
    return (first, *((" ".join(map(str, other.chords)), other.sureness) for other in hint.runners_up))
