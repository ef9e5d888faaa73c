"""Writing a tune out as it is played: notes, chords in force, bars and sections on one time line."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from underbow.theory.chord import Chord
from underbow.theory.progression import ChordSpan, joined
from underbow.tune.bars import Laid, edge_between, lay
from underbow.tune.tune import Bar, Measure, Melody, MelodyNote, Note, Section, Tune


def write_out(tune: Tune, *, exact: bool = False) -> Melody:
    """Write a tune out on one time line.

    Parameters
    ----------
    tune : Tune
    exact : bool
        Whether every measure keeps its written length. By default the bars are what a player counts, who keeps the beat: a
        section's last bar that stays short is waited out, and a pickup that comes back after a full bar is played over its
        end, or left out that time where other notes stand there.

    Returns
    -------
    Melody
        Its last bar is short by the pickup where it is written short, so that the pickup completes it. A careless full last
        bar shows in ``bars[-1].length`` being the meter's full bar although there is a pickup: who plays the tune round and
        round lays the pickup over that bar's end.
        A tune without measures gives an empty melody.
    """
    if not tune.order:
        return Melody((), (), (), (), Fraction(0), Fraction(0))
    laid = lay(tune, exact=exact)
    bars = laid.numbered()
    return Melody(
        notes=_notes(tune, laid),
        chords=_chords(tune, laid, bars),
        bars=bars,
        sections=_sections(tune, laid, bars),
        pickup=laid.pickup,
        length=bars[-1].end,
    )


def _notes(tune: Tune, laid: Laid) -> tuple[MelodyNote, ...]:
    """Join ties, cut notes where a pickup is laid over them, follow the slurs."""
    out: list[MelodyNote] = []
    tied = False
    depth = 0
    before = -1
    for index, start in zip(tune.order, laid.starts, strict=True):
        if index != before + 1:
            depth = 0  # no bow stroke reaches over a jump
        before = index
        if start is None:
            continue
        for note in tune.measures[index].notes:
            at = start + note.start
            if out and out[-1].end > at:  # under a pickup laid over it
                out[-1] = replace(out[-1], length=at - out[-1].start)
            follows = bool(out) and out[-1].end == at
            if tied and follows and out[-1].midi == note.midi:
                out[-1] = replace(out[-1], length=out[-1].length + note.length)
            else:
                out.append(_played(note, at, slurred=follows and depth > 0))
            depth = max(depth + note.slur_starts - note.slur_ends, 0)
            tied = note.tied
    return tuple(out)


def _played(note: Note, at: Fraction, *, slurred: bool) -> MelodyNote:
    return MelodyNote(at, note.length, note.pitch, note.under, note.bow, slurred, note.graces, note.marks)


def _chords(tune: Tune, laid: Laid, bars: tuple[Bar, ...]) -> tuple[ChordSpan, ...]:
    """Follow the chord in force: over bar lines, and after a jump as the page has it there.

    A pickup without a symbol of its own goes on with what sounds.
    """
    on_page = _in_force(tune)
    if on_page is None:
        return ()
    changes: dict[Fraction, Chord | None] = {}
    for n, (index, start) in enumerate(zip(tune.order, laid.starts, strict=True)):
        measure = tune.measures[index]
        if start is None:
            continue
        if not _is_pickup(tune, n, measure):
            changes[start] = on_page[index]
        for span in measure.chords:
            changes[start + span.start] = span.chord
    if not changes:
        return ()
    ats = sorted(changes)
    first = min(ats[0], bars[0].end if laid.pickup else Fraction(0))
    starts = [first, *ats[1:]]
    ends = [*ats[1:], bars[-1].end]
    spans = [ChordSpan(start, end - start, changes[at]) for at, start, end in zip(ats, starts, ends, strict=True)]
    return joined([span for span in spans if span.length > 0])


def _is_pickup(tune: Tune, n: int, measure: Measure) -> bool:
    """Whether a measure played is a pickup: short, at the start or after an edge."""
    if measure.length >= measure.meter.bar:
        return False
    return n == 0 or edge_between(tune, tune.order[n - 1], tune.order[n])


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


def _sections(tune: Tune, laid: Laid, bars: tuple[Bar, ...]) -> tuple[Section, ...]:
    """Sections as played: a new one where the name changes, where the music goes back, and where the page begins one."""
    begins: list[tuple[Fraction, str]] = []
    before = -1
    for index, start in zip(tune.order, laid.starts, strict=True):
        measure = tune.measures[index]
        if start is None:
            continue  # the section begins with the measure after it
        anew = not begins or measure.section != begins[-1][1] or index <= before
        if not anew and not measure.ending and start - begins[-1][0] >= measure.meter.bar:
            anew = edge_between(tune, index - 1, index)  # the page begins one here
        if anew:
            begins.append((start, measure.section))
        before = index
    counted = [bar for bar in bars if bar.number > 0] or list(bars)
    out: list[Section] = []
    at = 0
    for i, (_, name) in enumerate(begins):
        end = begins[i + 1][0] if i + 1 < len(begins) else bars[-1].end
        first = at
        while at < len(counted) and counted[at].start < end:
            at += 1
        if at > first:
            out.append(Section(name, counted[first].number, at - first))
    if not out:  # nothing but empty measures
        return (Section(begins[0][1] if begins else "A", counted[0].number, len(counted)),)
    if at < len(counted):
        out[-1] = replace(out[-1], bars=out[-1].bars + len(counted) - at)
    return tuple(out)
