"""The rhythm of a composed tune, cell by cell, drawn from how often real tunes of its dance have each cell.

A cell is a quarter in simple meters and a dotted quarter in compound ones; an eighth where a dance of four cells a bar is
written in 2/4. A cell's rhythm is written as its lengths in quarters; ``-`` before the first one holds the note before.
"""

from __future__ import annotations

from fractions import Fraction
from random import Random

from underbow.theory.meter import Meter
from underbow.tune.melody.figures import Figures
from underbow.tune.melody.plan import BarPlan

Rhythm = tuple[tuple[Fraction, Fraction], ...]  # start in the bar and length of every note, in quarters


def rhythms(plans: list[BarPlan], meter: Meter, figures: Figures, rng: Random) -> list[Rhythm]:
    """Draw a rhythm for every bar; a bar that is like another takes its rhythm, a closing bar comes to rest."""
    out: list[Rhythm] = []
    for number, bar in enumerate(plans):
        if bar.like is not None and not bar.ending:
            out.append(out[bar.like])
            continue
        drawn = _bar(meter, figures, rng, ending=bool(bar.ending))
        closes = bar.ending == "closed"
        home = closes and (number == len(plans) - 1 or rng.random() < 0.5)
        out.append(_rested(drawn, meter, figures.cells, last=number == len(plans) - 1) if home else drawn)
    return out


def cells(meter: Meter, least: int = 1) -> list[tuple[Fraction, Fraction]]:
    """Divide a bar into cells, at least so many where it has beats to divide: the start and length of each, in quarters.

    >>> [(str(a), str(b)) for a, b in cells(Meter.parse("2/2"))]
    [('0', '1'), ('1', '1'), ('2', '1'), ('3', '1')]
    >>> [str(b) for _, b in cells(Meter.parse("2/4"), 4)]
    ['1/2', '1/2', '1/2', '1/2']
    """
    unit = Fraction(4, meter.unit)
    if len(meter.groups) > 1:
        lengths = [unit * group for group in meter.groups]
    elif meter.compound:
        lengths = [unit * 3] * (meter.groups[0] // 3)
    else:
        size = min(unit, Fraction(1))
        if meter.bar == 2 and least == 4:
            size = Fraction(1, 2)
        lengths = [size] * int(meter.bar / size)
    return [(sum(lengths[:i], Fraction(0)), length) for i, length in enumerate(lengths)]


def _bar(meter: Meter, figures: Figures, rng: Random, *, ending: bool) -> Rhythm:
    notes: list[tuple[Fraction, Fraction]] = []
    for i, (start, length) in enumerate(cells(meter, figures.cells)):
        text = figures.cell(i, length, rng.random(), ending=ending)
        now = start
        for j, word in enumerate(text):
            if j == 0 and word < 0 and notes and notes[-1][1] >= length / 2:  # a short note is not held over the beat
                notes[-1] = (notes[-1][0], notes[-1][1] + abs(word))
            else:
                notes.append((now, abs(word)))
            now += abs(word)
    return tuple(notes)


def _rested(rhythm: Rhythm, meter: Meter, least: int, *, last: bool) -> Rhythm:
    """Let a bar come to rest: from its last beats on, one long note; the tune's last bar takes at least half the bar for it."""
    beats = cells(meter, least)
    keep = (len(beats) // 2 if last else max(len(beats) - 1, len(beats) // 2)) if len(beats) > 1 else 0
    rest = beats[keep][0]
    before = [(start, min(length, rest - start)) for start, length in rhythm if start < rest]
    return (*before, (rest, meter.bar - rest))
