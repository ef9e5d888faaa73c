"""Chord symbols written into an ABC text, and nothing else in it touched."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Iterator

from underbow.errors import Fault, InputError
from underbow.tune.abc.encoding import decoded, encodings
from underbow.tune.abc.lexer import signs
from underbow.tune.abc.text import body_field, field_of, tunes_of
from underbow.tune.abc.words import quoted_chord
from underbow.tune.tune import Tune

# What stands directly before a note and comes after its chord symbol: decorations (ABC 2.1, section 4.20), and the signs that
# open a tuplet or a slur on it. Grace notes come before the chord symbol.
_OPENED = re.compile(r"(?:\([ \t]*\d+(?::\d*){0,2}[ \t]*|\.?\(|![^!\n|]*!|\+[a-z0-9]+\+|[.~H-Wh-w])+$")
_MOST_BEFORE = 200  # characters of decorations


def chords_into_file(data: bytes, tune: Tune) -> bytes:
    r"""Write a tune's chords into the ABC file that it was read from: its encoding, line ends and other tunes stay.

    Parameters
    ----------
    data : bytes
        The whole file, as :func:`underbow.tune.source.load_tune` read it.
    tune : Tune
        With the chords written in.

    Raises
    ------
    InputError
        Where the tune does not come from an ABC text, or the file's characters are not those of its encoding.

    >>> from underbow.tune.source import load_tune
    >>> data = "X:1\r\nT:Ó\r\nL:1/8\r\nK:G\r\nGBdB|]\r\n".encode("latin-1")
    >>> from underbow.tune.harmony.harmonise import harmonise
    >>> chords_into_file(data, harmonise(load_tune(decoded(data))).tune)
    b'X:1\r\nT:\xd3\r\nL:1/8\r\nK:G\r\n"G"GBdB|]\r\n'
    """
    text = decoded(data)
    for mark, encoding in encodings(data):
        try:
            if mark + text.encode(encoding) == data:
                return mark + chords_into_abc(text, tune).encode(encoding)
        except (LookupError, UnicodeError):
            continue
    raise InputError(
        Fault("the file has characters that its encoding does not know; save it as UTF-8", where=tune.title)
    )


def chords_into_abc(text: str, tune: Tune) -> str:
    r"""Write a tune's chords into the ABC text that it was read from.

    Chord symbols that the tune has give way to them; words over the notes stay, and so do all other tunes of the text. A
    chord that changes while a note is held, or in a rest, is written at the next note.

    Parameters
    ----------
    text : str
        What ``tune`` was read from; the places of its notes are looked up there.
    tune : Tune
        As :func:`underbow.tune.harmony.harmonise.harmonise` gives it, the chords written in.

    Raises
    ------
    InputError
        Where the tune does not come from an ABC text.

    >>> from underbow.tune.abc.reader import read_abc
    >>> from underbow.tune.harmony.harmonise import harmonise
    >>> text = "X:1\nM:2/4\nL:1/8\nK:G\nGB dB | AF G2 |]\n"
    >>> print(chords_into_abc(text, harmonise(read_abc(text)[0]).tune).splitlines()[-1])
    "G"GB dB | "D7"AF "G"G2 |]
    """
    edits = [(start, end, "") for start, end in _old(text, tune)]
    waiting = ""  # a chord that changed after the last note of its measure
    for measure in tune.measures:
        notes = [(note.start, note.source) for note in measure.notes if note.source is not None]
        if measure.notes and not notes:
            raise InputError(
                Fault("the tune was not read from ABC, so there is no text to write chords into", where=tune.title)
            )
        starts = [start for start, _ in notes]
        here: dict[int, str] = {0: waiting} if waiting and notes else {}
        waiting = "" if notes else waiting
        for span in measure.chords:
            name = "N.C." if span.chord is None else str(span.chord)
            number = bisect_left(starts, span.start)
            if number < len(notes):
                here[number] = name
            else:
                waiting = name
        for number, name in here.items():
            place = _before(text, notes[number][1][0])
            edits.append((place, place, f'"{name}"'))
    parts, done = [], 0
    for start, end, put in sorted(edits):
        parts += [text[done:start], put]
        done = end
    return "".join([*parts, text[done:]])


def _old(text: str, tune: Tune) -> Iterator[tuple[int, int]]:
    """Find the chord symbols that the tune's text has: (first character, the one after the last)."""
    first = min((note.source[0] for m in tune.measures for note in m.notes if note.source is not None), default=-1)
    for written in tunes_of(text):
        if not written.lines or not written.lines[0].start <= first < written.lines[-1].start + len(
            written.lines[-1].text
        ):
            continue
        body = False
        for line in written.lines:
            found = body_field(line.text) if body else field_of(line.text)
            if found or line.text.startswith("%%"):
                body = body or (found is not None and found[0] == "K")
                continue
            for sign in signs(line.text):
                if sign.kind == "string" and quoted_chord(sign.text[1:-1].strip()):
                    yield line.start + sign.start, line.start + sign.end


def _before(text: str, note: int) -> int:
    """Find where a note begins with its decorations."""
    line = max(text.rfind("\n", 0, note), text.rfind("\r", 0, note), note - _MOST_BEFORE) + 1
    found = _OPENED.search(text[line:note])
    return line + found.start() if found else note
