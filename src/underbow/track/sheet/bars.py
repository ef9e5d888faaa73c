"""The bars of a tune that do not add up: which ones they are on the page, what they hold, and how they are mended."""

from __future__ import annotations

from fractions import Fraction

from underbow.errors import Fault
from underbow.theory.meter import Meter, note_value
from underbow.tune.bars import find_uneven, printed_numbers
from underbow.tune.tune import Measure, Tune

MOST_LISTED = 5  # faulty bars listed one by one
_NOTES = {1: "whole", 2: "half", 4: "quarter", 8: "eighth", 16: "sixteenth", 32: "thirty-second"}


def bar_faults(tune: Tune) -> list[Fault]:
    """List the bars that are short or over, once each, as they stand on the page.

    Pickups are no faults, nor is what :mod:`underbow.tune.bars` puts right where sections meet. The last bar may be short, for
    the pickup or for want of a rest.
    """
    wrong = [bar for bar in find_uneven(tune) if not bar.done]
    numbers = printed_numbers(tune) if wrong else ()
    faults = [_fault(tune.measures[bar.index], numbers[bar.index], bar.length) for bar in wrong[:MOST_LISTED]]
    if len(wrong) > MOST_LISTED:
        faults.append(Fault(f"{len(wrong) - MOST_LISTED} more bars are short or over"))
    return faults


def _fault(measure: Measure, number: int, length: Fraction) -> Fault:
    line, column = measure.place or (None, None)
    holds, needs, unit = _counted(length, measure.meter)
    missing = needs - holds
    cure = f"{'add' if missing > 0 else 'take out'} {_notes(abs(missing), unit)}"
    return Fault(
        f"holds {_notes(holds, unit)}, and {_named(measure.meter)} needs {needs}; {cure}, or, if it is meant so, write its own "
        f"meter before it (in ABC [M:{note_value(length)}])",
        line=line,
        column=column,
        where=f"bar {number}" + (f", section {measure.section}" if measure.section else ""),
    )


def _counted(length: Fraction, meter: Meter) -> tuple[Fraction, Fraction, int]:
    """Count a bar and its meter in the meter's own notes, or in smaller ones where those don't come out."""
    unit = meter.unit
    while unit < max(_NOTES) and (length * unit / 4).denominator > 1:
        unit *= 2
    return length * unit / 4, meter.bar * unit / 4, unit


def _notes(count: Fraction, unit: int) -> str:
    return f"{count} {_NOTES.get(unit, f'1/{unit}')} note{'' if count == 1 else 's'}"


def _named(meter: Meter) -> str:
    """Name a meter; one written as a sign with its numbers."""
    return f"{meter}" if "/" in str(meter) else f"{meter} ({sum(meter.groups)}/{meter.unit})"
