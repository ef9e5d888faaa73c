"""Writing a tune out as it is played: notes, chords in force, bars and sections on one time line."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

from underbow.theory.chord import Chord
from underbow.theory.progression import ChordSpan, joined
from underbow.tune.bars import Laid, edge_between, is_pickup, lay, number_bars
from underbow.tune.tune import Bar, Melody, MelodyNote, Note, Tune


def write_out(tune: Tune, order: tuple[int, ...] | None = None, *, exact: bool = False) -> Melody:
    """Write a tune out on one time line.

    Parameters
    ----------
    tune : Tune
    order : tuple of int, optional
        The measures in the order played, by their indices; the tune's own by default.
    exact : bool
        Whether every measure keeps its written length. By default the bars are what a player counts, who keeps the beat: a
        section's last bar that stays short is filled with a rest, and a pickup that comes back after a full bar is played over
        its end, or left out that time where other notes stand there.

    Returns
    -------
    Melody
        Its last bar is short by the pickup where it is written short, so that the pickup completes it, and where it is written
        full with the pickup to the next time round at its end. A careless full last bar stays full: who plays the tune round
        and round lays the pickup over that bar's end.
        A tune without measures gives an empty melody.
    """
    order = tune.order if order is None else order
    if not order:
        return Melody((), (), ())
    laid = lay(tune, order, exact=exact)
    starts = [bar.start for bar in laid.bars]
    first = 1 if laid.pickup else 0
    begun = {max(bisect_left(starts, start), first) for _, start in _section_starts(tune, order, laid)}
    bars = number_bars(tune, laid, frozenset(begun))
    return Melody(_notes(tune, order, laid), _chords(tune, order, laid, bars), bars)


def section_places(tune: Tune) -> list[tuple[str, range]]:
    r"""Give the sections as played: the name of each, and its places in the tune's order, its pickup among them.

    >>> from underbow.tune.abc.reader import read_abc
    >>> section_places(read_abc('X:1\nM:4/4\nL:1/4\nK:G\nD|GABc|d3||D|e4|d3|]')[0])
    [('A', range(0, 3)), ('B', range(3, 6))]
    """
    if not tune.order:
        return []
    laid = lay(tune, tune.order)
    counted = [bar.start for bar in laid.bars[1 if laid.pickup else 0 :]]
    found: list[tuple[int, int, str]] = []  # its first bar, its first place, its name
    for begun, start in _section_starts(tune, tune.order, laid):
        bar, place, name = bisect_left(counted, start), begun, tune.measures[tune.order[begun]].section
        if found and found[-1][0] == bar:  # a section without a bar of its own leads into the next one
            found[-1] = (bar, found[-1][1], name)
        elif bar < len(counted):
            while laid.starts[place - 1] is None:  # a pickup that is left out
                place -= 1
            found.append((bar, place, name))
    ends = [*(place for _, place, _ in found[1:]), len(tune.order)]
    return [(name, range(place, end)) for (_, place, name), end in zip(found, ends, strict=True)]


def _section_starts(tune: Tune, order: tuple[int, ...], laid: Laid) -> Iterator[tuple[int, Fraction]]:
    """Where a section begins: its name changes, the music goes back, or the page begins one; place in the order, quarters."""
    begun: tuple[str, Fraction] | None = None
    before = -1
    for place, (index, start) in enumerate(zip(order, laid.starts, strict=True)):
        if start is None:
            continue  # the section begins with the measure after it
        measure = tune.measures[index]
        anew = begun is None or measure.section != begun[0] or index <= before
        if begun is not None and not anew and not measure.ending and start - begun[1] >= measure.meter.bar:
            anew = edge_between(tune, index - 1, index)  # the page begins one here
        if anew:
            begun = (measure.section, start)
            yield place, start
        before = index


def _notes(tune: Tune, order: tuple[int, ...], laid: Laid) -> tuple[MelodyNote, ...]:
    """Join ties, cut notes where a pickup is laid over them and at the end, follow the slurs."""
    out: list[MelodyNote] = []
    tied = False
    depth = 0
    before = -1
    end = laid.bars[-1].end
    for index, start in zip(order, laid.starts, strict=True):
        if index != before + 1:
            depth = 0  # no bow stroke reaches over a jump
        before = index
        if start is None:
            continue
        for number, note in enumerate(tune.measures[index].notes):
            begin = start + note.start
            if begin >= end > 0:
                break
            length = min(note.length, end - begin) if end else note.length
            if out and out[-1].end > begin:  # under a pickup laid over it
                out[-1] = cut_short(out[-1], begin)
            follows = bool(out) and out[-1].end == begin
            if tied and follows and out[-1].midi == note.midi:
                last = out[-1]
                written = (*last.written, (last.length, index, number))
                out[-1] = replace(last, length=last.length + length, written=written)
            else:
                written = ((Fraction(0), index, number),)
                out.append(_played(note, begin, length, slurred=follows and depth > 0, written=written))
            depth = max(depth + note.slur_starts - note.slur_ends, 0)
            tied = note.tied
    return tuple(out)


def cut_short(note: MelodyNote, end: Fraction) -> MelodyNote:
    """Let a note stop where something else begins."""
    if note.end <= end:
        return note
    length = end - note.start
    return replace(note, length=length, written=tuple(place for place in note.written if place[0] < length))


def _played(
    note: Note, start: Fraction, length: Fraction, *, slurred: bool, written: tuple[tuple[Fraction, int, int], ...]
) -> MelodyNote:
    return MelodyNote(start, length, note.pitch, note.under, note.bow, slurred, note.graces, note.marks, written)


def _chords(tune: Tune, order: tuple[int, ...], laid: Laid, bars: tuple[Bar, ...]) -> tuple[ChordSpan, ...]:
    """Follow the chord in force: over bar lines, and after a jump as the page has it there.

    A pickup without a symbol of its own goes on with what sounds.
    """
    on_page = _in_force(tune)
    if on_page is None:
        return ()
    changes: dict[Fraction, Chord | None] = {}
    for n, (index, start) in enumerate(zip(order, laid.starts, strict=True)):
        measure = tune.measures[index]
        if start is None:
            continue
        if not is_pickup(tune, index, order[n - 1] if n else None):
            changes[start] = on_page[index]
        for span in measure.chords:
            changes[start + span.start] = span.chord
    if not changes:
        return ()
    end = bars[-1].end
    places = [place for place in sorted(changes) if place < end or not end]
    first = min(places[0], bars[0].end if laid.pickup else Fraction(0))
    starts = [first, *places[1:]]
    ends = [*places[1:], end]
    spans = [
        ChordSpan(start, end - start, changes[place]) for place, start, end in zip(places, starts, ends, strict=True)
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
                now = before_endings  # a later ending follows the body, not the ending before it
            else:
                before_endings = now
        out.append(now)
        if measure.chords:
            now = measure.chords[-1].chord
    return out
