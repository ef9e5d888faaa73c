"""The changes of a tune with chords, as a progression: by section where that says it all, else bar by bar as played."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from fractions import Fraction

from underbow.theory.chord import Chord
from underbow.theory.meter import Meter
from underbow.theory.progression import Changes, Progression, divided
from underbow.tune.tune import Bar, Melody, Tune
from underbow.tune.written_out import write_out


def changes_of(tune: Tune) -> Progression:
    """Write down a tune's changes, so that they can be laid under it again.

    Sections go by their names where each has the same number of bars every time it is played; the chords are then those of
    its last time, whose ending leads on.
    """
    melody = write_out(tune)
    by_name: dict[str, list[tuple[tuple[Chord | None, ...], ...]]] = {}
    for section in melody.sections:
        by_name.setdefault(section.name, []).append(tuple(_by_bar(melody, section.bars)))
    if all(by_name) and all(len({len(time) for time in times}) == 1 for times in by_name.values()):
        return Progression(tuple(Changes(name, times[-1]) for name, times in by_name.items()))
    return Progression((Changes("", tuple(_by_bar(melody, melody.full_bars))),))


def _by_bar(melody: Melody, bars: Sequence[Bar]) -> list[tuple[Chord | None, ...]]:
    starts = [span.start for span in melody.chords]
    out = []
    for bar in bars:
        first = bisect_right(starts, bar.start) - 1
        changes: list[tuple[Fraction, Chord | None]] = [(Fraction(0), melody.chords[max(first, 0)].chord)]
        for span in melody.chords[max(first, 0) + 1 :]:
            if span.start >= bar.end:
                break
            if span.start > bar.start:
                changes.append((span.start - bar.start, span.chord))
        out.append(_shared(changes, bar.meter))
    return out


def _shared(changes: list[tuple[Fraction, Chord | None]], meter: Meter) -> tuple[Chord | None, ...]:
    """Write a bar's chords so that a progression shares the bar among them as they stand, beat by beat where need be."""
    chords = tuple(chord for _, chord in changes)
    if [start for start, _, _ in divided(chords, meter)] == [start for start, _ in changes]:
        return chords
    starts = [start for start, _ in changes]
    beats = tuple(chords[bisect_right(starts, beat) - 1] for beat in meter.beats)
    return beats if len({*beats}) > 1 else beats[:1]
