"""Chord symbols written into an ABC text, and nothing else in it touched."""

from __future__ import annotations

import re
from bisect import bisect_left

from underbow.errors import Fault, InputError
from underbow.tune.tune import Tune

# What stands directly before a note and belongs to it: decorations. Grace notes come before the chord symbol (ABC 2.1,
# section 4.20), decorations after it.
_DECORATED = re.compile(r"(?:![^!\n|]*!|\+[a-z0-9]+\+|[.~HLMOPSTuv])+$")


def chords_into_abc(text: str, tune: Tune) -> str:
    r"""Write a tune's chords into the ABC text that it was read from.

    A chord that changes while a note is held, or in a rest, is written at the next note.

    Parameters
    ----------
    text : str
        What ``tune`` was read from; the places of its notes are looked up there.
    tune : Tune
        As :func:`underbow.tune.harmonise.harmonise` gives it, the chords written in.

    Raises
    ------
    InputError
        Where the tune does not come from an ABC text.

    >>> from underbow.tune.abc import read_abc
    >>> from underbow.tune.harmonise import harmonise
    >>> text = "X:1\nM:2/4\nL:1/8\nK:G\nGB dB | AF G2 |]\n"
    >>> print(chords_into_abc(text, harmonise(read_abc(text)[0]).tune).splitlines()[-1])
    "G"GB dB | "D7"AF "G"G2 |]
    """
    places: dict[int, str] = {}
    for measure in tune.measures:
        notes = [note for note in measure.notes if note.source is not None]
        if measure.notes and not notes:
            raise InputError(
                Fault("the tune was not read from ABC, so there is no text to write chords into", where=tune.title)
            )
        starts = [note.start for note in notes]
        for span in measure.chords:
            at = bisect_left(starts, span.start)
            if at < len(notes) and span.chord is not None:
                source = notes[at].source
                assert source is not None  # noqa: S101  only such notes were taken
                places[_before(text, source[0])] = str(span.chord)
    parts, done = [], 0
    for place in sorted(places):
        parts += [text[done:place], f'"{places[place]}"']
        done = place
    return "".join([*parts, text[done:]])


def _before(text: str, note: int) -> int:
    """Find where a note begins with its decorations."""
    line = text.rfind("\n", 0, note) + 1
    found = _DECORATED.search(text[line:note])
    return line + found.start() if found else note
