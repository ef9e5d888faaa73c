"""How a dance is phrased: where its melody leans, how long its strokes are, and what the guitar does under it.

A reel, a jig and an air with the same notes don't sound alike. Which note of a bar is leaned on follows from its place: the
bar's first note, a strong beat, a weak beat, an off-beat, what lies between. How much, is the dance's. The values are
common practice, no source: a reel is even and flows in half bars; a jig's beat is long, its third note answers and the middle
one is light; a hornpipe leans on every beat; a waltz on its first; a polka pushes its off-beats; an air is bowed long and swells.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from underbow.theory.meter import Meter

PHRASE = 4  # bars that an air's swell spans
CREST = 0.6  # of the phrase, where the swell is fullest


@dataclass(frozen=True, slots=True)
class Phrasing:
    """One dance's way of playing.

    Parameters
    ----------
    levels : tuple of float
        dB on the bar's first note, a strong beat, a weak beat, an off-beat, and between.
    long_bows : bool
        Whether notes without slurs of their own are bowed together, half a bar at a time.
    ringing : bool
        Whether the guitar lets its chords ring rather than damping them.
    swell : float
        dB by which the ends of a phrase are softer than its crest.

    >>> air, jig = phrasing("Slow air", Meter.parse("6/8")), phrasing("", Meter.parse("6/8"))
    >>> [[way.level(Fraction(at, 2), Meter.parse("6/8")) for at in range(6)] for way in (air, jig)]
    [[-2.0, -3.0, -3.0, -2.5, -3.0, -3.0], [-1.0, -4.5, -3.0, -1.5, -4.5, -3.0]]
    """

    levels: tuple[float, float, float, float, float]
    long_bows: bool = False
    ringing: bool = False
    swell: float = 0.0

    def level(self, inside: Fraction, meter: Meter) -> float:
        """Give the level of a note at a place in its bar, in dB."""
        return self.levels[stress(inside, meter)]

    def swelled(self, bar: int) -> float:
        """Give what the swell adds in a bar of the section, counted from 0: 0 dB at the crest, less before and after."""
        if not self.swell:
            return 0.0
        place = (bar % PHRASE + 0.5) / PHRASE
        way = (CREST - place) / CREST if place < CREST else (place - CREST) / (1.0 - CREST)
        return -self.swell * way * way


_REEL = Phrasing((-1.0, -1.5, -2.5, -3.5, -4.0))
_JIG = Phrasing((-1.0, -1.5, -2.5, -3.0, -4.5))
_HORNPIPE = Phrasing((-1.0, -1.5, -1.5, -4.0, -4.5))
_WALTZ = Phrasing((-1.0, -3.0, -3.0, -3.5, -4.0))
_MARCH = Phrasing((-1.0, -1.5, -2.0, -3.5, -4.0))
_POLKA = Phrasing((-1.0, -1.5, -2.0, -4.0, -4.5))
_AIR = Phrasing((-2.0, -2.5, -2.5, -3.0, -3.0), long_bows=True, ringing=True, swell=2.0)

# Word in a dance's name (ABC R:) -> phrasing; the first that is found counts.
_BY_DANCE = {
    "air": _AIR, "lament": _AIR, "planxty": _MARCH, "strathspey": _HORNPIPE, "hornpipe": _HORNPIPE, "schottische": _HORNPIPE,
    "barndance": _HORNPIPE, "slide": _JIG, "jig": _JIG, "march": _MARCH, "polka": _POLKA, "waltz": _WALTZ, "mazurka": _WALTZ,
    "reel": _REEL, "breakdown": _REEL,
}  # fmt: skip


def phrasing(dance: str, meter: Meter) -> Phrasing:
    """Give the phrasing of a dance, in any letters; that of the usual dance in its meter where it isn't known.

    >>> phrasing("Slip Jig", Meter.parse("9/8")) is phrasing("", Meter.parse("6/8"))
    True
    """
    name = dance.lower()
    for word, found in _BY_DANCE.items():
        if word in name:
            return found
    if meter.compound:
        return _JIG
    return _WALTZ if meter.groups == (3,) else _REEL


def stress(inside: Fraction, meter: Meter) -> int:
    """Weigh a place in a bar: 0 its first note, 1 a strong beat, 2 a weak beat, 3 an off-beat, 4 what lies between.

    >>> [stress(Fraction(at, 2), Meter.parse("C|")) for at in range(8)]
    [0, 3, 2, 3, 1, 3, 2, 3]
    >>> [stress(Fraction(at, 2), Meter.parse("6/8")) for at in range(6)]
    [0, 4, 3, 1, 4, 3]
    >>> [stress(Fraction(at, 2), Meter.parse("3/4")) for at in range(6)]
    [0, 3, 2, 3, 2, 3]
    """
    if inside == 0:
        return 0
    unit = Fraction(4, meter.unit)
    if meter.compound:
        third = inside % (3 * unit)
        return 1 if third == 0 else 3 if third == 2 * unit else 4
    if len(meter.groups) > 1 or meter.groups[0] & (meter.groups[0] - 1):  # groups; threes, fives and the like
        if len(meter.groups) > 1 and inside in meter.beats:
            return 1
        return 2 if inside % unit == 0 else 3 if inside % (unit / 2) == 0 else 4
    return next((weight for weight in (1, 2, 3) if inside % (meter.bar / 2**weight) == 0), 4)
