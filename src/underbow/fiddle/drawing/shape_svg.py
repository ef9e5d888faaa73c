"""Hand shapes drawn as SVG, for the printed hand-out and the practice page.

Why it looks as it does: to a fiddler the neck runs off ahead to the left, nut far away, the lowest string on the left of it.
Turned until it lies level, that puts the nut at the left and the lowest string at the bottom, so that what sounds higher is
drawn higher up or further right. The strings fan out from the nut as they do towards the bridge. There are no frets to draw, so
places are true: the distance from the nut is the length of string that the finger cuts off, to scale. A finger is a ring with
its number, an open string a number without ring at the nut, one finger across two strings one long ring, as a teacher
chalks it; a second ring says that the finger stays from the shape before. The bow lies across the strings that sound; the
others are dotted. Everything is in the current text colour with nothing behind it, so it prints in black and shows on dark pages.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape

from underbow.fiddle.shapes.change import staying
from underbow.fiddle.shapes.fingerboard import FIRST_POSITION, TAPES, HandShape, Stop, along
from underbow.text import signs
from underbow.theory.chord import Chord

_STRING_LENGTH = 460.0  # units from nut to bridge; the fourth finger lies at 153
_GAP = 17.5  # between strings at the nut
_FAN = 1.0  # how much wider the gap is at the bridge: as much again (16 mm at the nut, 33 mm at the bridge, over all)
_RING = 8.0
_MARKED = 9.5  # letters of a finger that has one beside its number
_NUT = 34.0  # from the left edge
_TOP = 34.0  # from the upper edge to the highest string at its end
_FURTHER = 3.0  # than in truth a finger is drawn from its place: a few cents are a hair's breadth
_LABELS = 64.0  # right of the neck, for the notes


@dataclass(frozen=True, slots=True)
class _Neck:
    """Where things lie in one picture: how many strings are drawn, how far up the neck, and how small letters may be."""

    strings: tuple[int, ...]
    reach: float
    least: float = 0.0

    @property
    def width(self) -> float:
        return _NUT + _STRING_LENGTH * along(self.reach) + _LABELS

    @property
    def height(self) -> float:
        return _TOP + (len(self.strings) - 1) * _GAP * (1 + _FAN * along(self.reach)) + 30

    @property
    def end(self) -> float:
        """Where the drawn neck ends, from the left edge."""
        return _NUT + _STRING_LENGTH * along(self.reach)

    @property
    def degrees(self) -> float:
        """Where the degrees stand, clear of the notes before them, from the left edge."""
        return self.end + 36 * max(1.0, self.least / 14)

    def ring(self, stop: Stop) -> float:
        """The radius of a finger's ring; a letter beside its number needs room."""
        return max(_RING, 0.76 * max(_MARKED, self.least)) if stop.mark else _RING

    def x(self, semitones: float) -> float:
        return _NUT + _STRING_LENGTH * along(semitones)

    def y(self, string: float, x: float) -> float:
        """Height of a string at a place along the neck; the fan opens evenly above and below the middle."""
        middle = (self.strings[0] + self.strings[-1]) / 2
        gap = _GAP * (1 + _FAN * (x - _NUT) / _STRING_LENGTH)
        centre = _TOP + (len(self.strings) - 1) / 2 * _GAP * (1 + _FAN * along(self.reach))
        return centre + (middle - string) * gap


def draw_svg(
    shapes: Sequence[tuple[Chord, HandShape]],
    *,
    all_strings: bool = True,
    tapes: bool = False,
    columns: int = 4,
    font: str = "sans-serif",
    least: float = 0.0,
) -> str:
    """Draw one hand shape or a row of them.

    Parameters
    ----------
    shapes : sequence of (Chord, HandShape)
        In the order played: a finger that stays from one to the next has a second ring.
    all_strings : bool
        Draw all four strings; otherwise only those that are bowed.
    tapes : bool
        Mark where learners' tapes usually are: first finger, second, third and fourth.
    columns : int
        Pictures beside each other, >= 1; more go below.
    font : str
        Font family of the text.
    least : float
        Size of the smallest letters, in units of the picture, 0 to 18.

    Returns
    -------
    str
        An SVG document without ids, styles or scripts, so that any number of them fits into one page; text is text. Its size is
        in pixels of 1/96 inch, about 250 x 125 a picture.

    >>> from underbow.fiddle.shapes.fingerboard import Stop
    >>> from underbow.fiddle.tuning import Tuning
    >>> g = HandShape((0, 1), (Stop(0, 0), Stop(0, 0)), Tuning.parse("GDAE"))
    >>> picture = draw_svg([(Chord.parse("G"), g)])
    >>> picture[:4], "G: 0-0, G3 (1) and D4 (5)" in picture
    ('<svg', True)
    """
    if columns < 1:
        raise ValueError(f"columns must be at least 1, not {columns}")
    reach = max([FIRST_POSITION, *(stop.semitones for _, shape in shapes for stop in shape.stops)]) + 1.4
    bowed = sorted({string for _, shape in shapes for string in shape.strings}) or [0, 1]
    neck = _Neck((0, 1, 2, 3) if all_strings else tuple(range(bowed[0], bowed[-1] + 1)), reach, least)
    rows = -(-len(shapes) // columns)
    wide, high = neck.width * min(columns, max(len(shapes), 1)), neck.height * max(rows, 1)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:.1f} {high:.1f}" width="{wide:.0f}" height="{high:.0f}"',
        'role="img" fill="none" stroke="currentColor" stroke-linecap="round"',
        f'font-family="{escape(font)}">',
        f"<title>{escape('; '.join(_said(chord, shape) for chord, shape in shapes))}</title>",
    ]
    for i, (chord, shape) in enumerate(shapes):
        down, across = divmod(i, columns)
        stays = staying(shapes[i - 1][1], shape) if i else ()
        parts.append(f'<g transform="translate({across * neck.width:.1f} {down * neck.height:.1f})">')
        parts += _picture(chord, shape, neck, stays, tapes)
        parts.append("</g>")
    return "\n".join([*parts, "</svg>"])


def _said(chord: Chord, shape: HandShape) -> str:
    """The picture in words, for those who can't see it."""
    notes = zip(shape.spelled(chord), shape.degrees(chord), strict=True)
    return f"{chord}: {shape.label}, {' and '.join(f'{note} ({degree})' for note, degree in notes)}"


def _picture(chord: Chord, shape: HandShape, neck: _Neck, stays: Sequence[int], tapes: bool) -> Iterator[str]:
    yield _text(signs(str(chord)), 4, 16, max(15, neck.least), "start", bold=True)
    yield _text(signs(shape.label), neck.end + 9, 16, max(11, neck.least), "start")
    low, high = neck.strings[0], neck.strings[-1]
    edges = (low - 0.6, high + 0.6)
    yield _line(_NUT, neck.y(edges[0], _NUT), _NUT, neck.y(edges[1], _NUT), width=3.5)
    for edge in edges:
        yield _line(_NUT, neck.y(edge, _NUT), neck.end, neck.y(edge, neck.end), width=0.4)
    for tape in TAPES if tapes else ():
        yield from _tape(shape, neck, tape)
    for string in neck.strings:
        yield from _string(chord, shape, neck, string)
    yield from _fingers(shape, neck, stays)
    yield from _bow(shape, neck)
    if stays:
        words = f"finger {stays[0]} stays" if len(stays) == 1 else f"fingers {' and '.join(map(str, stays))} stay"
        yield _text(words, _NUT, neck.height - 5, max(9.5, neck.least), "start")


def _tape(shape: HandShape, neck: _Neck, tape: int) -> Iterator[str]:
    """A tape across the neck, left out where a ring lies on it."""
    x = neck.x(tape)
    here = [
        neck.y(string, x) for string, stop in zip(shape.strings, shape.stops, strict=True) if stop.semitones == tape
    ]
    top, bottom = neck.y(neck.strings[-1] + 0.6, x), neck.y(neck.strings[0] - 0.6, x)
    free = [(top, min(here) - _RING), (max(here) + _RING, bottom)] if here else [(top, bottom)]
    for start, end in free:
        if start < end:
            yield _line(x, start, x, end, width=0.7, dashes="3 2")


def _string(chord: Chord, shape: HandShape, neck: _Neck, string: int) -> Iterator[str]:
    """A string with its name and, where it is bowed, its note and degree."""
    at_nut, at_end = neck.y(string, _NUT), neck.y(string, neck.end)
    name = signs(str(shape.tuning.strings[string].pitch_class))
    sounds = string in shape.strings
    yield _text(name, 4, at_nut + 3.5, max(10, neck.least), "start")
    if not sounds:
        yield _line(_NUT, at_nut, neck.end, at_end, width=0.6, dashes="1 3")
        return
    i = shape.strings.index(string)
    stop = shape.stops[i]
    if stop.finger:  # the line leaves room for the ring, so that the number stands on nothing
        x = neck.x(stop.semitones)
        left, right = x - neck.ring(stop), x + neck.ring(stop)
        yield _line(_NUT, at_nut, left, neck.y(string, left), width=1.3)
        yield _line(right, neck.y(string, right), neck.end, at_end, width=1.3)
    else:
        yield _line(_NUT, at_nut, neck.end, at_end, width=1.3)
        yield _text("0", _NUT - 8, at_nut + 4.3, max(12.5, neck.least), "middle", bold=True)
    note, degree = signs(str(shape.spelled(chord)[i])), signs(shape.degrees(chord)[i])
    yield _text(note, neck.end + 9, at_end + 3.8, max(11, neck.least), "start", bold=True)
    yield _text(degree, neck.degrees, at_end + 3.8, max(10, neck.least), "start")


def _fingers(shape: HandShape, neck: _Neck, stays: Sequence[int]) -> Iterator[str]:
    """A ring for each finger; one that lies flat has one ring over all its strings."""
    for stop in dict.fromkeys(stop for stop in shape.stops if stop.finger):
        x = neck.x(stop.semitones)
        ys = [neck.y(string, x) for string, other in zip(shape.strings, shape.stops, strict=True) if other == stop]
        for grow in (0.0, 2.8) if stop.finger in stays else (0.0,):
            ring = neck.ring(stop) + grow
            yield (
                f'<rect x="{x - ring:.1f}" y="{min(ys) - ring:.1f}" width="{2 * ring:.1f}" '
                f'height="{max(ys) - min(ys) + 2 * ring:.1f}" rx="{ring:.1f}" stroke-width="{0.9 if grow else 1.4}"/>'
            )
        size = max(_MARKED if stop.mark else 12.5, neck.least)
        yield _text(str(stop), x, (min(ys) + max(ys)) / 2 + size * 0.36, size, "middle", bold=True)


def _bow(shape: HandShape, neck: _Neck) -> Iterator[str]:
    """The bow over the strings that sound: hair and stick, a little slanted as the arm holds it."""
    x = neck.end - 5
    bottom, top = neck.y(shape.strings[0] - 0.36, x), neck.y(shape.strings[-1] + 0.36, x)
    yield _line(x - 2, bottom, x + 2, top, width=2.6)
    yield _line(x + 2.6, bottom, x + 6.6, top, width=0.8)


def _line(x1: float, y1: float, x2: float, y2: float, *, width: float, dashes: str = "") -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke-width="{width}"{dashed}/>'


def _text(text: str, x: float, y: float, size: float, anchor: str, *, bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}"{weight} fill="currentColor" '
        f'stroke="none">{escape(text)}</text>'
    )


def draw_heard_svg(chord: Chord, shape: HandShape, cents: Sequence[float | None]) -> str:
    """Draw a hand shape, and above the upper finger and below the lower one where it came down.

    Parameters
    ----------
    chord : Chord
    shape : HandShape
    cents : sequence of float or None
        For each of the shape's strings, how sharp (positive) the note was; None draws nothing.

    >>> from underbow.fiddle.shapes.fingerboard import Stop
    >>> from underbow.fiddle.tuning import Tuning
    >>> d = HandShape((0, 1), (Stop(1, 2), Stop(0, 0)), Tuning.parse("GDAE"))
    >>> draw_heard_svg(Chord.parse("D"), d, (-12.0, 3.0)).count('class="heard"')
    1
    """
    svg = draw_svg([(chord, shape)], all_strings=False)
    reach = max([FIRST_POSITION, *(stop.semitones for stop in shape.stops)]) + 1.4
    neck = _Neck(tuple(range(shape.strings[0], shape.strings[-1] + 1)), reach)
    marks = []
    for string, stop, off in zip(shape.strings, shape.stops, cents, strict=True):
        if stop.finger and off is not None:
            x = neck.x(stop.semitones + _FURTHER * off / 100)
            y = neck.y(string, x)
            # away from the other string, and off the finger's number
            out = -_RING if string == shape.strings[-1] else _RING
            marks.append(
                f'<path class="heard" d="M{x:.1f} {y + 0.9 * out:.1f}v{1.4 * out:.1f}" stroke-width="3" stroke="var(--rosin)"/>'
            )
    return svg.removesuffix("</svg>") + "\n".join([*marks, "</svg>"])
