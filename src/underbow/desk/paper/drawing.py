"""What the paper shows, drawn by what draws the print: staff, hands, bow.

Every drawing is SVG without identifiers, styles or scripts, so that a page whose policy forbids these shows it as it is.
Measures and notes of a staff are marked by ``data-measure`` and ``data-note``, as the engraver counts them.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache

from underbow.fiddle.drawing.shape_svg import draw_svg
from underbow.fiddle.shapes.fingerboard import HandShape
from underbow.lesson.print.engrave import engrave
from underbow.theory.chord import Chord
from underbow.tune.tune import Tune

__all__ = ["hand", "signs", "staff"]

WIDE, NARROW = 1000, 420  # pixels; the page shows the staff that its own width suits
_MARKED = re.compile(r'id="(?:m(\d+)|n(\d+-\d+)(?:-\d+)?)"')
_FLAT = re.compile(r"(?<=[A-G0-9])b")


@lru_cache(maxsize=16)
def staff(tune: Tune, width: int = WIDE) -> str:
    """Engrave a tune for a width in pixels."""
    if width < WIDE:  # lines as written don't fit: let the engraver break them
        tune = replace(tune, measures=tuple(replace(measure, new_line=False) for measure in tune.measures))
    svg = "\n".join(engrave(tune, width=width).pages)
    svg = re.sub(r"<style.*?</style>|<desc>.*?</desc>", "", svg, flags=re.DOTALL)
    used = set(re.findall(r'href="#([^"]+)"', svg))
    svg = _MARKED.sub(lambda m: f'data-measure="{m[1]}"' if m[1] else f'data-note="{m[2]}"', svg)
    svg = re.sub(r' id="([^"]+)"', lambda m: f' id="staff-{m[1]}"' if m[1] in used else "", svg)
    svg = svg.replace('href="#', 'href="#staff-').replace('color="black"', "")
    return re.sub(r"\s*\n\s*", "\n", svg)


def hand(chord: Chord, shape: HandShape) -> str:
    """Draw the fingers of one chord on all four strings."""
    return draw_svg([(chord, shape)], columns=1, font="inherit")


def signs(text: str) -> str:
    """Write sharps and flats as musicians do, in names of notes, keys and chords.

    >>> signs("F#m7b5/Bb"), signs("Bb dorian")
    ('F♯m7♭5/B♭', 'B♭ dorian')
    """
    return _FLAT.sub("♭", text.replace("#", "♯"))
