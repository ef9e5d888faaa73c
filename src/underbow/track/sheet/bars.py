"""The bars of a tune that do not add up: which ones they are on the page, what they hold, and how they are mended."""

from __future__ import annotations

from fractions import Fraction

from underbow.errors import Fault
from underbow.theory.meter import Meter, note_value
from underbow.track.sheet.evening import evened, numbers_before
from underbow.track.sheet.laying import full_bars
from underbow.tune.bars import lay, written_numbers
from underbow.tune.tune import Bar, Melody, Tune

MOST_TOLD = 5  # faulty bars told one by one
_NOTES = {1: "whole", 2: "half", 4: "quarter", 8: "eighth", 16: "sixteenth", 32: "thirty-second"}


def bar_faults(tune: Tune) -> list[Fault]:
    """Tell the bars that are short or over, once each, as they stand on the page.

    Pickups are no faults, nor is what :func:`~underbow.track.sheet.evening.evened` puts right where sections meet. The last
    bar may be short, for the pickup or for want of a rest.
    """
    written = tune.melody()
    melody, _ = evened(written)
    bars = full_bars(melody)
    before = numbers_before(written)
    wrong: dict[int, Bar] = {}
    for i, bar in enumerate(bars):
        if bar.length > bar.meter.bar or (bar.length < bar.meter.bar and bar is not bars[-1]):
            wrong.setdefault(_measure(tune, written, before[i]), bar)
    numbers = written_numbers(tune) if wrong else ()
    faults = [_fault(tune, numbers[index], wrong[index]) for index in sorted(wrong)[:MOST_TOLD]]
    if len(wrong) > MOST_TOLD:
        faults.append(Fault(f"{len(wrong) - MOST_TOLD} more bars are short or over"))
    return faults


def _measure(tune: Tune, melody: Melody, number: int) -> int:
    """Give the index of the measure that a bar as played begins with."""
    return lay(tune).bars[number - (0 if melody.pickup else 1)].index


def _fault(tune: Tune, number: int, bar: Bar) -> Fault:
    place = next((told for told in tune.told if told.what.startswith(f"bar {number} is too ")), Fault(""))
    holds, needs, missing, unit = _counted(bar)
    cure = f"{'add' if missing > 0 else 'take out'} {_notes(abs(missing), unit)}"
    return Fault(
        f"holds {_notes(holds, unit)}, and {_named(bar.meter)} needs {needs}; {cure}, or, if it is meant so, write its own meter "
        f"before it (in ABC [M:{note_value(bar.length)}])",
        line=place.line,
        column=place.column,
        where=f"bar {number}" + (f", section {bar.section}" if bar.section else ""),
    )


def _counted(bar: Bar) -> tuple[Fraction, Fraction, Fraction, int]:
    """Count a bar, its meter and what is missing in the meter's own notes, or in smaller ones where those don't come out."""
    unit = bar.meter.unit
    while unit < max(_NOTES) and (bar.length * unit / 4).denominator > 1:
        unit *= 2
    holds, needs = bar.length * unit / 4, bar.meter.bar * unit / 4
    return holds, needs, needs - holds, unit


def _notes(count: Fraction, unit: int) -> str:
    return f"{count} {_NOTES.get(unit, f'1/{unit}')} note{'' if count == 1 else 's'}"


def _named(meter: Meter) -> str:
    """Name a meter; one written as a sign with its numbers."""
    return f"{meter}" if "/" in str(meter) else f"{meter} ({sum(meter.groups)}/{meter.unit})"
