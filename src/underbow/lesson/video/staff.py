"""The tune on the staff, a line at a time, each measure with its place in the picture."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from math import floor

from underbow.lesson.print.engrave import engrave
from underbow.lesson.print.staff import shown_measures, staff_tune
from underbow.lesson.video.layout import Box
from underbow.track.sheet.model import Sheet

__all__ = ["Line", "staff_lines"]

_WIDTH = 330  # pixels of the engraver's page: some two bars, whose staff is then to be seen at two metres
_MEASURE = re.compile(r'<g id="m(\d+)" class="measure">(.*?)(?=<g id="m\d+" class="measure">|\Z)', re.DOTALL)
_STAFF = re.compile(r'class="staff">\s*<path d="M([\d.-]+) ([\d.-]+) L([\d.-]+)')
_MARGIN = re.compile(r'class="page-margin" transform="translate\(([\d.-]+), ([\d.-]+)\)"')
_UNITS = re.compile(r'class="definition-scale"[^>]*viewBox="0 0 ([\d.]+) ([\d.]+)"')


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the staff.

    Parameters
    ----------
    svg : str
    size : (float, float)
        Width and height in the picture's pixels.
    measures : tuple of (int, int, int)
        Of each measure its index in the tune, and the columns of its box, from the left edge of the box that the line stands
        in the middle of; even.
    """

    svg: str
    size: tuple[float, float]
    measures: tuple[tuple[int, int, int], ...]


def staff_lines(sheet: Sheet, box: Box) -> list[Line]:
    """Engrave a sheet's tune for a box, all lines at one scale; chords are left out, the board says them larger.

    Parameters
    ----------
    sheet : Sheet
    box : Box

    Returns
    -------
    list of Line
    """
    tune = staff_tune(sheet)
    bare = tuple(replace(measure, chords=(), new_line=False) for measure in tune.measures)
    pages = engrave(replace(tune, measures=bare), width=_WIDTH, height=40, only=shown_measures(sheet)).pages
    units = [tuple(map(float, found.groups())) for page in pages if (found := _UNITS.search(page))]
    scale = min([box.w / wide for wide, _ in units] + [box.h / high for _, high in units], default=1.0)
    return [
        Line(page, (scale * wide, scale * high), tuple(_measures(page, scale, box, wide)))
        for page, (wide, high) in zip(pages, units, strict=True)
    ]


def _measures(page: str, scale: float, box: Box, wide: float) -> list[tuple[int, int, int]]:
    margin = _MARGIN.search(page)
    shift = (box.w - scale * wide) / 2 + (scale * float(margin[1]) if margin else 0)
    found = []
    for measure in _MEASURE.finditer(page):
        staff = _STAFF.search(measure[2])
        if staff:
            left, right = (2 * floor((shift + scale * float(staff[i])) / 2) for i in (1, 3))
            found.append((int(measure[1]), max(left, 0), min(right + 2, box.w)))
    return found
