"""The tune on a staff: our model written as MEI, drawn by verovio.

A line begins with the chord in force. Where the lines aren't told by the tune, but broken as the paper has room, the tune is
drawn once to see where, and again with these chords.

Verovio's own readers of other formats are not used, so that what is drawn is exactly what our model holds.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass, replace
from pathlib import Path

from underbow.errors import UnderbowError
from underbow.lesson.print.mei import to_mei
from underbow.steps import step
from underbow.tune.tune import Tune


@dataclass(frozen=True, slots=True)
class Engraving:
    """A drawn tune: its pages as SVG, at a width of so many pixels."""

    pages: tuple[str, ...]
    width: int


LYRICS = 4.5
LYRIC_UNIT = 90.0  # of a drawing, that a size of 1 has
_MARKED = re.compile(r'id="(?:m(\d+)|n(\d+-\d+)(?:-\d+)?)"')


@step("engraving the staff")
def engrave(
    tune: Tune,
    *,
    width: int = 1000,
    height: int | None = None,
    scale: int = 40,
    only: Collection[int] | None = None,
    lyrics: float = LYRICS,
) -> Engraving:
    """Draw a tune.

    Parameters
    ----------
    tune : Tune
    width : int
        Of the page, in pixels at the scale given.
    height : int or None
        Of a page, in pixels, cut to what is on it; None for one page as high as the tune needs.
    scale : int
        Percent; 40 gives a staff about 14 pixels high.
    only : collection of int, optional
        Indexes of the measures that are drawn.
    lyrics : float
        Size of the syllables, in quarters of the space between two lines of the staff, 2 to 8; notes are set apart for them.

    Returns
    -------
    Engraving
        The same bytes for the same tune.
    """
    import verovio  # noqa: PLC0415  43 ms that only a hand-out needs

    verovio.enableLog(verovio.LOG_OFF)
    kit = verovio.toolkit()
    # Verovio keeps this path for each thread, and sets it in the one that imports it alone.
    kit.setResourcePath(str(Path(verovio.__file__).parent / "data"))
    kit.setOptions(
        {
            "scale": scale,
            "pageWidth": width * 100 // scale,
            "pageHeight": (height * 100 // scale) if height else 60_000,
            "adjustPageHeight": True,
            "breaks": "auto" if not any(measure.new_line for measure in tune.measures) else "line",
            "header": "none",
            "footer": "none",
            "svgViewBox": True,
            "svgRemoveXlink": True,
            "xmlIdSeed": 1,
            "pageMarginLeft": 60,
            "pageMarginRight": 20,
            "pageMarginTop": 20,
            "pageMarginBottom": 20,
            "mnumInterval": 0,
            "spacingStaff": 4,
            "spacingSystem": 6,
            "lyricSize": lyrics,
        }
    )

    def drawn(lines: Collection[int]) -> tuple[str, ...]:
        if not kit.loadData(to_mei(tune, only, lines)):
            raise UnderbowError(f"{tune.title}: the engraver could not read the tune; please report this tune")
        return tuple(_plain_signs(kit.renderToSVG(page)) for page in range(1, kit.getPageCount() + 1))

    told = {index + 1 for index, measure in enumerate(tune.measures) if measure.new_line}
    pages = drawn(told)
    if not told:
        lines = _lines(pages)
        again = drawn(lines) if len(lines) > 1 else pages
        if _lines(again) == lines:  # there is room for them
            pages = again
    return Engraving(pages, width)


def engrave_marked(tune: Tune, width: int, name: str, *, as_written: bool) -> str:
    """Draw a tune for a page whose policy forbids styles, its measures and notes marked by ``data-measure`` and ``data-note``.

    Parameters
    ----------
    tune : Tune
    width : int
        In pixels.
    name : str
        Begins the drawing's identifiers, which must be unique in a page; those that nothing in it needs are left out.
    as_written : bool
        Whether there is room for the lines as written; else the engraver breaks them.
    """
    if not as_written:
        tune = replace(tune, measures=tuple(replace(measure, new_line=False) for measure in tune.measures))
    svg = "\n".join(engrave(tune, width=width).pages)
    svg = re.sub(r"<style.*?</style>|<desc>.*?</desc>", "", svg, flags=re.DOTALL)
    used = set(re.findall(r'href="#([^"]+)"', svg))
    svg = _MARKED.sub(lambda m: f'data-measure="{m[1]}"' if m[1] else f'data-note="{m[2]}"', svg)
    svg = re.sub(r' id="([^"]+)"', lambda m: f' id="{name}-{m[1]}"' if m[1] in used else "", svg)
    svg = svg.replace('href="#', f'href="#{name}-').replace('color="black"', "")
    return re.sub(r"\s*\n\s*", "\n", svg)


def _lines(pages: tuple[str, ...]) -> list[int]:
    """Give the measures that the lines of a drawn tune begin with.

    >>> _lines(('<g class="system"><g id="m0" class="measure"><g id="m1" class="measure"><g class="system"><g id="m2" ',))
    [0, 2]
    """
    return [int(index) for page in pages for index in re.findall(r'class="system".*?<g id="m(\d+)"', page, re.DOTALL)]


def _plain_signs(svg: str) -> str:
    """Put Unicode's flat and sharp in place of the private characters of verovio's text font, which no other font has."""
    return re.sub("[\uea64\ued60]", "♭", re.sub("[\uea66\ued62]", "♯", svg))
