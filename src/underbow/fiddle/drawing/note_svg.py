"""A beat's note value drawn as SVG, in the current text colour: head, stem, flags, dot."""

from __future__ import annotations

from fractions import Fraction

__all__ = ["draw_note_svg"]


def draw_note_svg(beat: Fraction) -> str:
    """Draw a note.

    Parameters
    ----------
    beat : Fraction
        Its value as a part of a whole note: 1/16 to 1, or dotted 3/16 to 3/4.

    Returns
    -------
    str
        An SVG document, 17 x 20 units.

    >>> "circle" in draw_note_svg(Fraction(3, 8)), "circle" in draw_note_svg(Fraction(1, 4))
    (True, False)
    """
    dotted = beat.numerator == 3
    value = Fraction(beat.denominator, 2 if dotted else beat.numerator)
    flags = ("c0 5 5 5 4 9" if value > 4 else "") + ("M10 5c0 5 5 5 4 9" if value > 8 else "")
    stem = f'<path d="M10 15V1{flags}" fill="none"/>' if value > 1 else ""
    hollow = ' fill="none"' if value < 4 else ""
    dot = '<circle cx="14" cy="15" r="1.2"/>' if dotted else ""
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" class="note" viewBox="0 0 17 20" fill="currentColor" stroke="currentColor" '
        'stroke-width="1.6" aria-hidden="true">'
        f'<ellipse cx="6" cy="15.5" rx="4.2" ry="3" transform="rotate(-20 6 15.5)"{hollow}/>{stem}{dot}</svg>'
    )
