"""The bowing pattern drawn as SVG: a bar's cells, the bow signs, the count, and the stroke line.

Why it looks as it does: the stroke line is the path of the place where the hair meets the string. The upper edge of the field is
the frog, the lower edge the tip, and time runs to the right, so a down-bow runs down, an up-bow runs up, and how steep the
line is tells how fast the bow must go. The bow comes back to where it began: what the down-bows take, the up-bows give
back, in less time where they are short (which is why a short stroke against a long one comes out loud). How thick
the line begins is the accent, nine steps; within a stroke it begins anew with each pulse and thins out as the sound
does. Cells are as wide as they last, so swing is seen. Everything is in the current text colour, so it prints in black.

Conventions: times are quarter notes; places on the bow run from 0 (frog) to 1 (tip).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from html import escape
from itertools import pairwise

from underbow.fiddle.drawing.grid_text import count
from underbow.fiddle.grid import STEP_DB, AccentGrid, Stroke
from underbow.fiddle.pattern import Pattern

BAR_WIDTH = 320.0
_THICKEST = 11.0
_EDGE = 8.0  # between the field's edges and the ends of the bow's way
_MARGIN = 14.0  # left of the first bar
_TURNED = {"d": "u", "u": "d", "x": "x"}
_SPOKEN = {"d": "down", "u": "up", "x": "chop"}


@dataclass(frozen=True, slots=True)
class Rows:
    """How high the rows of a bar's picture are: the bow signs, the field that the stroke line runs in, a row of text.

    ``letter`` is the size of the count's letters, ``sign`` how much larger than usual the bow signs are.
    """

    signs: float = 24.0
    field: float = 72.0
    text: float = 18.0
    letter: float = 13.0
    sign: float = 1.0


NEAR = Rows()
AFAR = Rows(30.0, 62.0, 27.0, 26.0, 1.25)  # to be read from two metres where the bar is as wide as a phone


@dataclass(frozen=True, slots=True)
class BarPicture:
    """One bar drawn.

    Parameters
    ----------
    svg : str
        An SVG document, 320 units wide. Its cells are rectangles of the class ``cell``, its moving place is a circle of the
        class ``place`` at the origin, hidden until a page moves it.
    cells : tuple of Fraction
        Where the cells begin, swung, and where the last one ends, in quarters from the bar's start.
    travel : tuple of (float, float, float, float)
        For every stroke the line from (x, y) to (x, y) that the moving place follows, in the picture's units.
    """

    svg: str
    cells: tuple[Fraction, ...]
    travel: tuple[tuple[float, float, float, float], ...]


@dataclass(frozen=True, slots=True)
class Piece:
    """What lies of a stroke within a bar: times from the bar's start, swung; the places on the bow at both ends."""

    bow: str
    start: Fraction
    end: Fraction
    begins: bool
    ends: bool
    places: tuple[float, float]
    pulses: tuple[tuple[Fraction, Fraction, int, str], ...]  # from, to, accent, strings


def draw_grid_svg(pattern: Pattern, *, columns: int = 2) -> str:
    """Draw a pattern as it goes round, both ways where every other time goes the other way.

    Parameters
    ----------
    pattern : Pattern
    columns : int
        Bars beside each other, at least 1.

    Returns
    -------
    str
        An SVG document without ids, styles or scripts; about 320 x 150 pixels a bar.

    >>> from underbow.fiddle.pattern import find_pattern
    >>> picture = draw_grid_svg(find_pattern("nashville-shuffle"))
    >>> picture[:4], picture.count('class="cell"'), "down 1, up 2" in picture
    ('<svg', 8, True)
    """
    if columns < 1:
        raise ValueError(f"columns must be at least 1, not {columns}")
    grid = pattern.grid
    bars = grid.bars * (2 if grid.flips else 1)
    strokes = grid.play(2 * bars)
    length = grid.meter.bar
    columns = min(columns, bars)
    rows = -(-bars // columns)
    picture = _Picture(grid, numbers=True)
    wide, high = _MARGIN + BAR_WIDTH * columns + 4, picture.height * rows + 10 * (rows - 1)
    parts = [_head(wide, high, f"{pattern.title}: {_said(grid)}")]
    for bar in range(bars):
        down, across = divmod(bar, columns)
        drawn = picture.draw(pieces(grid, strokes, length * (bars + bar), length), cell_starts(grid, length))
        parts.append(
            f'<g transform="translate({_MARGIN + across * BAR_WIDTH:.1f} {down * (picture.height + 10):.1f})">{drawn}</g>'
        )
    return "\n".join([*parts, "</svg>"])


def draw_bar_svg(
    grid: AccentGrid, strokes: Sequence[Stroke], start: Fraction, length: Fraction, *, rows: Rows = NEAR
) -> BarPicture:
    """Draw one bar of what is played.

    Parameters
    ----------
    grid : AccentGrid
    strokes : sequence of Stroke
        As :meth:`AccentGrid.play` gives them.
    start, length : Fraction
        The bar, in quarters before swing, from where the strokes begin.
    rows : Rows
        :data:`NEAR`, or :data:`AFAR`.

    >>> grid = AccentGrid.parse("2/4", 4, "d - u d", "8 . 5 5")
    >>> bar = draw_bar_svg(grid, grid.play(2), Fraction(2), Fraction(2))
    >>> [str(cell) for cell in bar.cells], len(bar.travel)
    (['0', '1/2', '1', '3/2', '2'], 3)
    """
    picture = _Picture(grid, numbers=False, moving=True, rows=rows)
    found, cells = pieces(grid, strokes, start, length), cell_starts(grid, length)
    said = ", ".join(f"{_SPOKEN[piece.bow]} {_word(grid, start + piece.start)}" for piece in found if piece.begins)
    svg = _head(BAR_WIDTH + 2, picture.height, said) + picture.draw(found, cells) + "</svg>"
    ways = tuple(picture.way(piece, cells[-1]) for piece in found if piece.bow != "x")
    return BarPicture(svg, cells, ways)


def cell_starts(grid: AccentGrid, length: Fraction) -> tuple[Fraction, ...]:
    """Where the cells of a bar of some length begin, swung, and where the last one ends; a last cell may be cut."""
    whole = -(-length // grid.cell)
    swings = length % (2 * grid.cell) == 0
    ats = [grid.cell * n for n in range(whole)]
    return (*(grid.swung(start) if swings else start for start in ats), length)


def pieces(grid: AccentGrid, strokes: Sequence[Stroke], start: Fraction, length: Fraction) -> list[Piece]:
    """Cut what lies in a bar out of strokes (times in quarters before swing, from where the strokes begin)."""
    swings = length % (2 * grid.cell) == 0
    way = _Travel(grid)
    found = []

    def moved(place: Fraction) -> Fraction:
        place = min(max(place - start, Fraction(0)), length)
        return grid.swung(place) if swings else place

    for stroke in strokes:
        if stroke.start >= start + length or stroke.end <= start:
            continue
        inside = (max(stroke.start, start), min(stroke.end, start + length))
        found.append(
            Piece(
                stroke.bow,
                moved(stroke.start),
                moved(stroke.end),
                stroke.start >= start,
                stroke.end <= start + length,
                way.places(inside[0], inside[1]),
                tuple(
                    (moved(p.start), moved(p.end), 9 + round(p.level / STEP_DB), p.strings)
                    for p in stroke.pulses
                    if p.start < start + length and p.end > start
                ),
            )
        )
    return found


class _Travel:
    """Where on the bow a stroke is, at any time of a grid that goes round and round."""

    def __init__(self, grid: AccentGrid) -> None:
        cycles = 2 if grid.flips else 1
        self._period = grid.length * cycles
        around = [
            (stroke.start + grid.length * n, stroke.length, _TURNED[stroke.bow] if n else stroke.bow)
            for n in range(cycles)
            for stroke in grid.strokes()
        ]
        taken = {bow: sum((length for _, length, b in around if b == bow), Fraction(0)) for bow in "du"}
        even = min(taken.values()) > 0 and not grid.retake
        place, before = 0.0, ""
        self._ways: list[tuple[Fraction, Fraction, float, float]] = []
        for start, length, bow in around:
            if bow == "x":
                continue
            if bow == before:  # lifted, and set where it set out before
                place = self._ways[-1][2]
            share = float(length / taken[bow] if even else length / self._period)
            self._ways.append((start, length, place, place + (share if bow == "d" else -share)))
            place, before = self._ways[-1][3], bow
        ends = [end for way in self._ways for end in way[2:]]
        low, high = min(ends, default=0.0), max(ends, default=1.0)
        self._ways = [(s, n, (a - low) / (high - low), (b - low) / (high - low)) for s, n, a, b in self._ways]

    def places(self, start: Fraction, end: Fraction) -> tuple[float, float]:
        """The places at two times of one stroke; the frog for a chop."""
        for begin, length, first, last in self._ways:
            inside = (start - begin) % self._period
            if inside < length:
                slope = (last - first) / float(length)
                return first + slope * float(inside), first + slope * float(min(inside + end - start, length))
        return 0.0, 0.0


class _Picture:
    """Draws bars of one grid: which rows there are, and how high."""

    def __init__(self, grid: AccentGrid, *, numbers: bool, moving: bool = False, rows: Rows = NEAR) -> None:
        self._grid, self._numbers, self._moving, self._rows = grid, numbers, moving, rows
        self._strings = any(symbol in "_^" for symbol in grid.strings)

    @property
    def height(self) -> float:
        return self._bottom + self._rows.text * (1 + self._numbers) + (12 if self._strings else 0)

    @property
    def _bottom(self) -> float:
        """The lower edge of the field."""
        return self._rows.signs + self._rows.field

    def draw(self, found: Sequence[Piece], cells: Sequence[Fraction]) -> str:
        """Draw a bar at the origin."""
        return "\n".join(self._parts(found, cells))

    def way(self, piece: Piece, length: Fraction) -> tuple[float, float, float, float]:
        """The straight line that a piece's place follows."""
        (x1, x2), (y1, y2) = (_x(piece.start, length), _x(piece.end, length)), map(self._y, piece.places)
        return round(x1, 1), round(y1, 1), round(x2, 1), round(y2, 1)

    def _y(self, place: float) -> float:
        return self._rows.signs + _EDGE + (self._rows.field - 2 * _EDGE) * place

    def _parts(self, found: Sequence[Piece], cells: Sequence[Fraction]) -> Iterator[str]:
        length, top, bottom = cells[-1], self._rows.signs, self._bottom
        for start, end in pairwise(cells):
            x, wide = _x(start, length), _x(end, length) - _x(start, length)
            yield f'<rect class="cell" x="{x:.1f}" y="0" width="{wide:.1f}" height="{self.height:.1f}" stroke="none"/>'
        beats = set(self._grid.meter.beats)
        for number, start in enumerate(cells):
            straight = self._grid.cell * number
            heavy = 1.6 if start in {0, length} else 0.9 if straight in beats else 0.35
            yield _line(_x(start, length), top, _x(start, length), bottom, heavy)
        for piece in found:
            yield from self._piece(piece, length)
        yield from self._words(found, cells)
        if self._moving:
            yield '<circle class="place" r="8" visibility="hidden" stroke="none" fill="currentColor"/>'

    def _piece(self, piece: Piece, length: Fraction) -> Iterator[str]:
        x1, y1, x2, y2 = self.way(piece, length)
        if piece.begins:
            sign, scale = _sign(piece.bow, 9), self._rows.sign
            yield (
                f'<g transform="translate({x1:.1f} 0) scale({scale:g})">{sign}</g>'
                if scale != 1
                else _sign(piece.bow, x1 + 9)
            )
        if piece.bow == "x":
            half = 3.5 + piece.pulses[0][2] / 2
            x, y = x1 + 9, self._rows.signs + self._rows.field / 2
            yield _line(x - half, y - half, x + half, y + half, 2.6) + _line(
                x - half, y + half, x + half, y - half, 2.6
            )
            return
        slope = (y2 - y1) / (x2 - x1)
        for start, end, accent, _ in piece.pulses:
            left, right = _x(start, length), _x(end, length)
            thick = _THICKEST * (0.12 + 0.88 * accent / 9)
            first = left == x1 and piece.begins
            last = right == x2 and piece.ends
            a, b = left + (1.2 if first else 0), right - (1.2 if last else 0)
            ya, yb = y1 + slope * (a - x1), y1 + slope * (b - x1)
            thin = max(thick * 0.3, 1.1)
            yield (
                f'<path d="M{a:.1f} {ya - thick / 2:.1f}L{b:.1f} {yb - thin / 2:.1f}V{yb + thin / 2:.1f}'
                f'L{a:.1f} {ya + thick / 2:.1f}Z" fill="currentColor" stroke-width="0.6" stroke-linejoin="round"/>'
            )

    def _words(self, found: Sequence[Piece], cells: Sequence[Fraction]) -> Iterator[str]:
        """The count, the accents and the strings below the field."""
        length, y = cells[-1], self._bottom + 0.75 * self._rows.text
        names = count(self._grid.meter, self._grid.cells)
        size = min(self._rows.letter, 1.05 * BAR_WIDTH / max(len(cells) - 1, 1))
        for word, (start, end) in zip(names, pairwise(cells), strict=False):
            middle = (_x(start, length) + _x(end, length)) / 2
            yield _text(word, middle, y, size, bold=word.isdigit())
        pulses = [pulse for piece in found for pulse in piece.pulses]
        for start, _, accent, strings in pulses:
            cell = next(((a, b) for a, b in pairwise(cells) if a == start), None)
            if cell is None:
                continue
            middle = (_x(cell[0], length) + _x(cell[1], length)) / 2
            if self._numbers:
                yield _text(str(accent), middle, y + self._rows.text - 2, 10.5)
            if self._strings:  # two short strings, the upper one above; what sounds is thick
                top = y + 5 + self._rows.text * self._numbers
                for dy, which in ((0, "upper"), (5, "lower")):
                    yield _line(middle - 7, top + dy, middle + 7, top + dy, 2.4 if strings in {which, "both"} else 0.4)


def _x(place: Fraction, length: Fraction) -> float:
    return 1 + BAR_WIDTH * float(place / length)


def _sign(bow: str, x: float) -> str:
    """The bow signs as engravers draw them: down-bow an open box, up-bow a wedge."""
    if bow == "d":
        return (
            f'<path d="M{x - 6:.1f} 19V5.5H{x + 6:.1f}V19" stroke-width="1.8"/>'
            f'<path d="M{x - 6:.1f} 6.5H{x + 6:.1f}" stroke-width="4" stroke-linecap="butt"/>'
        )
    if bow == "u":
        return f'<path d="M{x - 5.5:.1f} 4.5L{x:.1f} 19L{x + 5.5:.1f} 4.5" stroke-width="2" stroke-linejoin="round"/>'
    return _line(x - 4.5, 7, x + 4.5, 17, 2.2) + _line(x - 4.5, 17, x + 4.5, 7, 2.2)


def _head(wide: float, high: float, said: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:.1f} {high:.1f}" width="{wide:.0f}" height="{high:.0f}" '
        'role="img" fill="none" stroke="currentColor" stroke-linecap="round" font-family="sans-serif">'
        f"<title>{escape(said)}</title>"
    )


def _said(grid: AccentGrid) -> str:
    """One time round in words."""
    return ", ".join(f"{_SPOKEN[stroke.bow]} {_word(grid, stroke.start)}" for stroke in grid.strokes())


def _word(grid: AccentGrid, place: Fraction) -> str:
    """The count at a time."""
    names = count(grid.meter, grid.cells)
    return names[int(place % grid.meter.bar / grid.cell) % len(names)]


def _line(x1: float, y1: float, x2: float, y2: float, width: float) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke-width="{width:g}"/>'


def _text(text: str, x: float, y: float, size: float, *, bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="middle"{weight} fill="currentColor" '
        f'stroke="none">{escape(text)}</text>'
    )
