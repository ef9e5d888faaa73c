"""Bars whose chords the teacher has decided: ``[changes]``, by printed number, over whatever else is played there."""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

from underbow.errors import Fault, InputError
from underbow.theory.chord import Chord
from underbow.theory.progression import ChordSpan, Progression, divided, joined
from underbow.tune.bars import printed_numbers
from underbow.tune.tune import Bar, Melody, Tune

AS_BEFORE = "%"  # the bar before, as in a progression
_NUMBER = re.compile(r"0|[1-9]\d{0,4}")


def decide(changes: Mapping[str, str], tune: Tune, melody: Melody) -> Melody:
    r"""Lay decided bars over a melody's chords, every time that they are played; the bars between keep what they have.

    Parameters
    ----------
    changes : mapping of str to str
        As a sheet has them: ``{"7": "D Bm", "12": "%"}``; 0 is the pickup.
    tune : Tune
        Tells which bars there are.
    melody : Melody
        In its form, with the chords that it has otherwise.

    Raises
    ------
    InputError
        With a fault for each bar that is not there or can't be read, its number as the place.

    Examples
    --------
    >>> from underbow.tune.abc.reader import read_abc
    >>> from underbow.tune.written_out import write_out
    >>> tune, = read_abc('X:1\nM:4/4\nL:1/4\nK:G\n|:"G"GABc|d4:|"C"e4|')
    >>> laid = decide({"2": "D Bm", "3": "%"}, tune, write_out(tune))
    >>> " ".join(f"{span.start}:{span.chord}" for span in laid.chords)
    '0:G 4:D 6:Bm 8:G 12:D 14:Bm 16:D 18:Bm'
    """
    printed = printed_numbers(tune)
    bars = read_changes(changes, {*printed})
    ends = [span.end for span in melody.chords]
    spans: list[ChordSpan] = []
    before: tuple[ChordSpan, ...] = ()
    for bar in melody.bars:
        chords = bars.get(printed[bar.measures[0][0]])
        if chords is None:
            played = melody.chords[bisect_right(ends, bar.start) : bisect_left(ends, bar.end) + 1]
            here = _cut(bar, [replace(span, start=span.start - bar.start) for span in played])
        elif chords:
            offset = (
                bar.meter.bar - bar.length if bar.number == 0 else Fraction(0)
            )  # what it begins with is the end of a bar
            here = _cut(
                bar, [ChordSpan(start - offset, length, chord) for start, length, chord in divided(chords, bar.meter)]
            )
        elif before:
            here = _cut(bar, before)
        else:
            raise InputError(Fault("there is no bar before it; write its chords", where=str(bar.number)))
        before = tuple(replace(span, start=span.start - bar.start) for span in here)
        spans += here
    return replace(melody, chords=joined(spans))


def read_changes(changes: Mapping[str, str], numbers: set[int]) -> dict[int, tuple[Chord | None, ...]]:
    """Read decided bars; one that is as the bar before has no chords.

    Parameters
    ----------
    changes : mapping of str to str
    numbers : set of int
        The bars that there are; empty where nobody knows.

    Raises
    ------
    InputError
        As :func:`decide`.
    """
    faults: list[Fault] = []
    bars: dict[int, tuple[Chord | None, ...]] = {}
    for number, text in changes.items():
        try:
            bars[_number(number, numbers)] = _chords(text)
        except InputError as error:
            faults += [replace(fault, where=number) for fault in error.faults]
    if faults:
        raise InputError(*faults)
    return bars


def _number(text: str, numbers: set[int]) -> int:
    """Read a bar's number."""
    if not _NUMBER.fullmatch(text):
        raise InputError('not the number of a bar; write it as in 7 = "D Bm"')
    if numbers and int(text) not in numbers:
        raise InputError(f"there is no bar {text}; the tune has bars {min(numbers)} to {max(numbers)}")
    return int(text)


def _chords(text: str) -> tuple[Chord | None, ...]:
    """Read the chords of one bar; none where they are those of the bar before."""
    if text.strip() == AS_BEFORE:
        return ()
    progression = Progression.parse(text)
    if len(progression.bars) != 1 or progression.sections[0].name:
        raise InputError(f'found "{text[:40]}", expected the chords of one bar, such as "D Bm"')
    return progression.bars[0]


def _cut(bar: Bar, spans: Sequence[ChordSpan]) -> list[ChordSpan]:
    """Put spans counted from a bar's start into it, as far as they lie inside; the last one holds to its end."""
    inside = [span for span in spans if span.start < bar.length and span.end > 0]
    starts = [bar.start + max(span.start, Fraction(0)) for span in inside]
    stops = [*starts[1:], bar.end]
    return [
        ChordSpan(start, stop - start, span.chord) for span, start, stop in zip(inside, starts, stops, strict=False)
    ]
