"""The ``[tempo]`` table to a ramp: what is not written follows from what is, and from the pattern's own range."""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import replace
from fractions import Fraction

from underbow.errors import Fault, InputError
from underbow.fiddle.pattern import Pattern
from underbow.theory.meter import Meter, note_value
from underbow.track.ramp import FASTEST, SLOWEST, Ramp, tempo_map
from underbow.track.sheet.table import EXPECTED, TempoTable
from underbow.tune.tune import Melody

MOST_SECONDS = 3 * 3600  # of a track
DEFAULT_PASSES, STEADY_PASSES = 6, 4
UNKNOWN_BEATS = (Fraction(1), Fraction(3, 2), Fraction(2), Fraction(1, 2))  # where neither tune, pattern nor sheet says
# Of the goal, where the pattern's range gives no start (common practice: half to 70 per cent).
START_SHARE = Fraction(3, 5)


def ramp_of(table: TempoTable, meter: Meter, pattern: Pattern) -> Ramp:
    """Work out the ramp.

    Without a beat it is the meter's; without start or goal they are the pattern's slow and fast ends.

    Raises
    ------
    InputError
        With what to write instead.
    """
    beat = _beat(table.beat, meter)
    _in_range(table, (beat,))
    scale = pattern.tempo.beat / beat
    slow, fast = math.ceil(SLOWEST / beat), math.floor(FASTEST / beat)
    low, high = (min(max(round(count * scale), slow), fast) for count in (pattern.tempo.low, pattern.tempo.high))
    goal = table.goal
    if goal is None:
        goal = table.start if table.start is not None and (table.ramp == "steady" or table.start > high) else high
    start = table.start
    if start is None:
        start = goal if table.ramp == "steady" or (table.passes == 1 and table.ramp == "steps") else low
        if start > goal or (start == goal and table.ramp != "steady" and table.passes != 1):
            start = min(max(round(goal * START_SHARE), slow), goal)
    try:
        return _made(table, start, goal, beat)
    except ValueError as error:
        raise InputError(str(error)) from None


def range_of(table: TempoTable, meter: Meter | None) -> Ramp | None:
    """Check what can be checked of a tempo while the pattern is not known, and the meter perhaps neither.

    Where start and goal are written the ramp follows from them alone; else there is none.
    """
    if meter is not None:
        beats: tuple[Fraction, ...] = (_beat(table.beat, meter),)
    elif (written := _note_value(table.beat or "")) > 0:
        beats = (written,)
    elif table.beat is None:
        beats = UNKNOWN_BEATS
    else:
        raise InputError(Fault(f'found "{table.beat}", expected {EXPECTED["tempo.beat"]}', where="beat"))
    _in_range(table, beats)
    if table.start is None or table.goal is None:
        return None
    try:
        return _made(table, table.start, table.goal, beats[0])
    except ValueError as error:
        raise InputError(str(error)) from None


def _in_range(table: TempoTable, beats: tuple[Fraction, ...]) -> None:
    """See that start and goal can be played, whichever of the beats it is."""
    faults = []
    for where in ("start", "goal"):
        count = getattr(table, where)
        if count is None or any(SLOWEST <= count * beat <= FASTEST for beat in beats):
            continue
        if len(beats) == 1:
            slow, fast = math.ceil(SLOWEST / beats[0]), math.floor(FASTEST / beats[0])
            value = note_value(beats[0])
            quarters = "quarter notes a minute"
            also = f" {quarters}" if beats[0] == 1 else f" ({SLOWEST} to {FASTEST} {quarters})"
            what = f"found {value} = {count}, expected {slow} to {fast}{also}"
        else:
            what = f"found {count}, expected {EXPECTED[f'tempo.{where}']}"
        faults.append(Fault(what, where=where))
    if faults:
        raise InputError(*faults)


def _made(table: TempoTable, start: int, goal: int, beat: Fraction) -> Ramp:
    never_alike = [name for name, usual in (("each", 1), ("between", 0)) if getattr(table, name) != usual]
    if table.ramp == "glide" and never_alike:
        what = 'a glide rises all the way and stays at no tempo; leave it out, or write ramp = "steps"'
        raise InputError(*(Fault(what, where=name) for name in never_alike))
    if table.step is not None:
        return _by_step(table, start, goal, beat)
    passes = table.passes or (STEADY_PASSES if table.ramp == "steady" else DEFAULT_PASSES)
    return Ramp(table.ramp, start, goal, passes, beat, None, table.each, table.between)


def _by_step(table: TempoTable, start: int, goal: int, beat: Fraction) -> Ramp:
    """Make the ramp of a step, and see that nothing else that is written contradicts it."""
    if table.ramp != "steps":
        raise InputError(Fault(f'a {table.ramp} ramp has no step; leave it out, or write ramp = "steps"', where="step"))
    if start > goal or table.step is None:
        return Ramp("steps", start, goal, 2, beat)  # tells the fault
    ramp = replace(Ramp.by_step(start, goal, table.step, beat), each=table.each, between=table.between)
    if table.passes is not None and table.passes != ramp.passes:
        what = f"from {start} to {goal} by {table.step} takes {ramp.passes} passes, not {table.passes}"
        raise InputError(Fault(f"{what}; write step or passes, not both", where="step"))
    return ramp


def _beat(text: str | None, meter: Meter) -> Fraction:
    """Read the beat and see that the meter's bar is counted in it."""
    natural = meter.beat if len(meter.groups) == 1 else Fraction(4, meter.unit)
    if text is None:
        return natural
    beat = _note_value(text)
    fits = beat > 0 and meter.bar % beat == 0 and (natural % beat == 0 or beat % natural == 0)
    if not fits:
        wanted = note_value(natural)
        plain = _plain_note_value(text)
        cure = f'; write "{plain}"' if plain else f' that counts the beats of {meter}; write "{wanted}"'
        raise InputError(Fault(f'found "{text}", expected a note value{cure}', where="beat"))
    return beat


def _note_value(text: str) -> Fraction:
    """Read a note value in quarters; 0 where it is none."""
    match = re.fullmatch(r"\s*(\d{1,2})\s*/\s*(\d{1,2})\s*", text)
    return Fraction(4 * int(match[1]), int(match[2])) if match and int(match[2]) else Fraction(0)


def _plain_note_value(text: str) -> str:
    """Write a note value that is one sign, or has spaces or words in it, as a sheet has it; empty where it is none.

    >>> _plain_note_value("½"), _plain_note_value("1/4")
    ('1/2', '')
    """
    plain = unicodedata.normalize("NFKC", text).replace("\u2044", "/").strip()
    return plain if plain != text.strip() and _note_value(plain) else ""


def too_long(ramp: Ramp, melody: Melody, count_in: int) -> str:
    """Say how long the track would be where that is more than :data:`MOST_SECONDS`; else nothing."""
    bar = melody.full_bars[0].meter.bar
    gap = ramp.gap(bar, melody.pickup)
    whole = tempo_map(ramp, bar * count_in, (melody.length,) * ramp.playings, gap)
    seconds = whole.seconds(whole.end)
    if seconds <= MOST_SECONDS:
        return ""
    return (
        f"{ramp.playings} passes would take {seconds / 3600:.1f} hours; the maximum is {MOST_SECONDS // 3600}: "
        f"write fewer passes{'' if ramp.step is None else ', a larger step'} or fewer bars"
    )
