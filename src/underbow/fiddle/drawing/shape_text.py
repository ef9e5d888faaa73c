"""Hand shapes drawn for the terminal.

The neck lies as in :mod:`underbow.fiddle.drawing.shape_svg`: scroll to the left, the lowest string at the bottom, so that higher
notes are higher up or further right. A finger number stands at its true place: the distance from the nut follows the
length of string that the finger cuts off, so the places draw together up the neck as they do under the hand.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from underbow.fiddle.shapes.change import change_cost, staying
from underbow.fiddle.shapes.fingerboard import FIRST_POSITION, TAPES, HandShape, along
from underbow.theory.chord import Chord

_STRING_LENGTH = 108  # columns; the fourth finger comes to column 36, third position to 51
_NAME = 10  # columns for the chord and the shape's label; more where one is longer
_WIDTH = 80
_ASCII = str.maketrans({"║": "|", "─": "-", "┈": " ", "┼": "+", "╌": ".", "┊": ":", "·": ","})


def draw_text(
    shapes: Sequence[tuple[Chord, HandShape]],
    *,
    all_strings: bool = False,
    tapes: bool = False,
    plain: bool = False,
) -> str:
    """Draw hand shapes one below the other, with what the fingers do in between.

    Parameters
    ----------
    shapes : sequence of (Chord, HandShape)
    all_strings : bool
        Draw all four strings, not only those that are bowed.
    tapes : bool
        Mark where learners' tapes usually are: first finger, second, third and fourth.
    plain : bool
        Use nothing but ASCII.

    Returns
    -------
    str
        At most 80 columns wide but for the longest of chord names, without colour, no line end at the end.

    >>> from underbow.fiddle.shapes.fingerboard import Stop
    >>> from underbow.fiddle.tuning import Tuning
    >>> c = HandShape((0, 1), (Stop(5, 3), Stop(2, 1)), Tuning.parse("GDAE"))
    >>> f = HandShape((0, 1), (Stop(5, 3), Stop(3, 2, "L")), Tuning.parse("GDAE"))
    >>> print(draw_text([(Chord.parse("C"), c), (Chord.parse("F"), f)]))
    C         D   ║───────────1─────────────────────────── E4  3
    3-1       G   ║──────────────────────────3──────────── C4  1
                                             ┊  1 lifts · 2 lands · 3 stays
    F         D   ║───────────────L2────────────────────── F4  1
    3-L2      G   ║──────────────────────────3──────────── C4  5
    """
    reach = max([FIRST_POSITION, *(stop.semitones for _, shape in shapes for stop in shape.stops)])
    named = [(str(chord), shape.label.replace("½", "1/2") if plain else shape.label) for chord, shape in shapes]
    left = max([_NAME, *(len(word) + 1 for names in named for word in names)])
    width = _column(reach) + 3
    lines: list[str] = []
    for i, ((chord, shape), names) in enumerate(zip(shapes, named, strict=True)):
        if i:
            lines += _between(shapes[i - 1][1], shape, left)
        words = (names[0].ljust(left), names[1].ljust(left))
        lines += _picture(chord, shape, words, width=width, all_strings=all_strings, tapes=tapes)
    if plain:
        lines = [line.translate(_ASCII) for line in lines]
    return "\n".join(line.rstrip() for line in lines)


def _column(semitones: int) -> int:
    """Columns from the nut to a stop."""
    return round(_STRING_LENGTH * along(semitones))


def _picture(
    chord: Chord, shape: HandShape, names: tuple[str, str], *, width: int, all_strings: bool, tapes: bool
) -> Iterator[str]:
    """One line a string, the highest on top; the chord and the shape's label at the left."""
    strings = range(4) if all_strings else shape.strings
    for row, string in enumerate(reversed(strings)):
        left = names[row] if row < len(names) else " " * len(names[0])
        name = str(shape.tuning.strings[string].pitch_class).ljust(3)
        if string not in shape.strings:
            yield f"{left}{name} ║{_string('┈', '╌', width, tapes)}"
            continue
        i = shape.strings.index(string)
        note, degree, stop = shape.spelled(chord)[i], shape.degrees(chord)[i], shape.stops[i]
        line = _string("─", "┼", width, tapes)
        if stop.finger:
            column = _column(stop.semitones) - 1
            line = line[: column - len(stop.mark)] + str(stop) + line[column + 1 :]
        yield f"{left}{name}{' ' if stop.finger else '0'}║{line} {note!s:<3} {degree}"


def _string(line: str, taped: str, width: int, tapes: bool) -> str:
    places = {_column(tape) for tape in TAPES} if tapes else set()
    return "".join(taped if column in places else line for column in range(1, width + 1))


def _between(before: HandShape, after: HandShape, left: int) -> list[str]:
    """What each finger does, with a mark under those that stay."""
    stays = staying(before, after)
    said = [reason.removeprefix("finger ") for reason in change_cost(before, after).why]
    margin = left + 4
    line = [" "] * margin
    for stop in after.stops:
        if stop.finger in stays:
            column = margin + _column(stop.semitones)
            line += [" "] * (column + 1 - len(line))
            line[column] = "┊"
    text, marked = " · ".join(said) or "nothing moves", "".join(line) + "  "
    return textwrap.wrap(
        text, _WIDTH, initial_indent=marked, subsequent_indent=" " * (margin + 2), break_long_words=False
    )
