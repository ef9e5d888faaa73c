"""Writing a tune out as it is played."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from underbow.theory.chord import Chord
from underbow.theory.progression import ChordSpan, joined
from underbow.tune.tune import Bar, Measure, Melody, MelodyNote, Note, Section, Tune


def write_out(tune: Tune, *, exact: bool = False) -> Melody:
    """Write a tune out on one time line.

    Parameters
    ----------
    tune : Tune
    exact : bool
        Whether every measure keeps its written length. By default the bars are what a player counts: where a section ends on
        a full bar although its pickup comes back, the pickup is played over that bar's end; where it ends on a
        bar that is short by the pickup and the next section has none, the bar is waited out.

    Returns
    -------
    Melody
        Its length is short by the pickup where the last bar is written short. A careless full last bar shows in a length that
        is a whole number of bars after the pickup: who plays the melody round and round lays the pickup over its end.
    """
    played = [tune.measures[i] for i in tune.order]
    if not played:
        return Melody((), (), (), (), Fraction(0), Fraction(0))
    bars, starts = _bars(tune, played, exact=exact)
    return Melody(
        notes=_notes(played, starts),
        chords=_chords(tune, starts, bars),
        bars=tuple(bars),
        sections=_sections(tune, bars, starts),
        pickup=bars[0].length if bars[0].number == 0 else Fraction(0),
        length=bars[-1].end,
    )


@dataclass(slots=True)
class _Open:
    """A bar in the making."""

    start: Fraction
    length: Fraction
    measure: Measure
    whole: bool = False


def _closes(before: int, here: int, tune: Tune) -> bool:
    """Whether a section, a repeat or a double bar lies between two measures played one after the other."""
    first, second = tune.measures[before], tune.measures[here]
    return (
        here != before + 1
        or bool(first.repeat_end or first.final or second.repeat_start)
        or first.section != second.section
    )


def _bars(tune: Tune, played: list[Measure], *, exact: bool) -> tuple[list[Bar], list[Fraction]]:
    """Lay the bars and say where each played measure starts."""
    bars: list[_Open] = []
    starts: list[Fraction] = []
    at = Fraction(0)
    for n, measure in enumerate(played):
        full = measure.meter.bar
        edge = n > 0 and _closes(tune.order[n - 1], tune.order[n], tune)
        last = bars[-1] if bars else None
        if last is not None and not last.whole and n > 0:
            together = last.length + measure.length
            fits = together == last.measure.meter.bar or (edge and together < last.measure.meter.bar)
            if measure.length < full and fits and (len(bars) > 1 or edge):
                starts.append(at)
                last.length = together
                last.whole = together == last.measure.meter.bar
                at += measure.length
                continue
        if not exact and edge and last is not None and 0 < measure.length < full:
            over = _overlaid(played[n - 1], last, measure, played[n + 1] if n + 1 < len(played) else None)
            if over:
                starts.append(at - measure.length)
                continue
        if not exact and edge and last is not None and not last.whole and len(bars) > 1 and measure.length == full:
            missing = last.measure.meter.bar - last.length
            if missing == _pickup_of(tune, tune.order[n - 1]):
                last.length += missing
                last.whole = True
                at += missing
        starts.append(at)
        if measure.length:
            bars.append(_Open(at, measure.length, measure, measure.length >= full))
            at += measure.length
    first = 0 if len(bars) > 1 and bars[0].length < bars[0].measure.meter.bar else 1
    out = [
        Bar(number, bar.start, bar.length, bar.measure.section, bar.measure.meter, bar.measure.key)
        for number, bar in enumerate(bars, start=first)
    ]
    if not out:
        measure = played[0]
        out = [Bar(1, Fraction(0), Fraction(0), measure.section, measure.meter, measure.key)]
    return out, starts


def _overlaid(before: Measure, bar: _Open, pickup: Measure, after: Measure | None) -> bool:
    """Whether a pickup can be played over the end of the full bar before it: no other note begins there."""
    if bar.length != bar.measure.meter.bar or before.length < pickup.length:
        return False
    if after is None or after.length < after.meter.bar:
        return False
    return all(note.start <= before.length - pickup.length for note in before.notes) and bool(
        not before.notes or before.notes[-1].start < before.length - pickup.length
    )


def _pickup_of(tune: Tune, index: int) -> Fraction:
    """Length of the pickup that the section of a measure begins with."""
    name = tune.measures[index].section
    first = next(measure for measure in tune.measures if measure.section == name)
    return first.length if first.length < first.meter.bar else Fraction(0)


def _notes(played: list[Measure], starts: list[Fraction]) -> tuple[MelodyNote, ...]:
    """Join ties, cut notes where a pickup is laid over them, follow the slurs."""
    out: list[MelodyNote] = []
    tied = False
    depth = 0
    for measure, start in zip(played, starts, strict=True):
        for note in measure.notes:
            at = start + note.start
            while out and out[-1].start >= at:  # only under an overlaid pickup
                out.pop()
            if out and out[-1].end > at:
                out[-1] = replace(out[-1], length=at - out[-1].start)
            if tied and out and out[-1].midi == note.midi and out[-1].end == at:
                out[-1] = replace(out[-1], length=out[-1].length + note.length)
            else:
                slurred = bool(out) and out[-1].end == at and (depth > 0 or (tied and out[-1].midi != note.midi))
                out.append(_played(note, at, slurred=slurred))
            depth = max(depth + note.slur_starts - note.slur_ends, 0)
            tied = note.tied
    return tuple(out)


def _played(note: Note, at: Fraction, *, slurred: bool) -> MelodyNote:
    return MelodyNote(at, note.length, note.pitch, note.under, note.bow, slurred, note.graces, note.marks)


def _chords(tune: Tune, starts: list[Fraction], bars: list[Bar]) -> tuple[ChordSpan, ...]:
    """Follow the chord in force: over bar lines, and at a jump as the page has it there."""
    on_page = _in_force(tune)
    if on_page is None:
        return ()
    changes: dict[Fraction, Chord | None] = {}
    for n, (index, start) in enumerate(zip(tune.order, starts, strict=True)):
        measure = tune.measures[index]
        jumped = n > 0 and tune.order[n - 1] != index - 1
        pickup = measure.length < measure.meter.bar and not (measure.chords and measure.chords[0].start == 0)
        if (n == 0 or jumped or (n > 1 and pickup is False)) and not (pickup and (n == 0 or jumped)):
            changes[start] = on_page[index]
        for span in measure.chords:
            changes[start + span.start] = span.chord
    if not changes:
        return ()
    ats = sorted(changes)
    full = bars[0].end if bars[0].number == 0 and len(bars) > 1 else Fraction(0)
    first = min(ats[0], full)
    ends = [*ats[1:], bars[-1].end]
    spans = [
        ChordSpan(first if i == 0 else at, end - (first if i == 0 else at), changes[at])
        for i, (at, end) in enumerate(zip(ats, ends, strict=True))
    ]
    return joined([span for span in spans if span.length > 0])


def _in_force(tune: Tune) -> list[Chord | None] | None:
    """The chord in force at the start of each measure, as the page is read; None where the tune has no chords."""
    first = next((span for measure in tune.measures for span in measure.chords), None)
    if first is None:
        return None
    now = before_endings = first.chord
    out: list[Chord | None] = []
    for i, measure in enumerate(tune.measures):
        if measure.ending_start:
            if i and tune.measures[i - 1].ending:
                now = before_endings
            else:
                before_endings = now
        out.append(now)
        if measure.chords:
            now = measure.chords[-1].chord
    return out


def _sections(tune: Tune, bars: list[Bar], starts: list[Fraction]) -> tuple[Section, ...]:
    """Sections as played: a new one where the name changes and where the music goes back."""
    begins: list[tuple[Fraction, str]] = []
    for n, (index, start) in enumerate(zip(tune.order, starts, strict=True)):
        name = tune.measures[index].section
        if n == 0 or name != begins[-1][1] or index <= tune.order[n - 1]:
            begins.append((start, name))
    out: list[Section] = []
    counted = [bar for bar in bars if bar.number > 0] or bars
    for i, (start, name) in enumerate(begins):
        end = begins[i + 1][0] if i + 1 < len(begins) else bars[-1].end
        inside = [bar for bar in counted if start <= bar.start < end]
        if inside:
            out.append(Section(name, inside[0].number, len(inside)))
    return tuple(out)
