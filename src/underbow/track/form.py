"""Which bars of a tune are played, in which order, over which chords.

A tune written out as it is played is taken apart into its bars and put together again: as a form of its sections, as a few bars
for practice, and with a progression laid under it. What comes out is a melody like any other, so that nothing after
this needs to know.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby

from underbow.errors import Fault, InputError, near_miss
from underbow.theory.chord import Chord
from underbow.theory.progression import ChordSpan, Progression, divided, joined
from underbow.tune.tune import Bar, Melody, MelodyNote, Section

MOST_SECTIONS = 200


@dataclass(frozen=True, slots=True)
class _Piece:
    """A bar to play: its number in the melody, the section it is played as, whether that section begins here."""

    number: int
    section: str
    first: bool


def full_bars(melody: Melody) -> tuple[Bar, ...]:
    """Give the bars without the pickup."""
    return tuple(bar for bar in melody.bars if bar.number > 0)


def in_form(melody: Melody, form: str) -> Melody:
    """Play a melody's sections in another order.

    Where a section was played several times, with other endings, a run of it takes them in turn and the last of the run takes
    the last one, which leads on.

    Parameters
    ----------
    form : str
        Section letters, such as ``AABB``; spaces are free.

    Raises
    ------
    InputError
        Naming the sections that there are.
    """
    rounds: dict[str, list[Section]] = {}
    for section in melody.sections:
        rounds.setdefault(section.name, []).append(section)
    names = list(rounds)
    asked = _letters(form, names)
    pieces: list[_Piece] = []
    for name, run in groupby(asked):
        times = len(list(run))
        for turn in range(times):
            section = rounds[name][-1] if turn == times - 1 else rounds[name][min(turn, len(rounds[name]) - 1)]
            pieces += [
                _Piece(section.first_bar + i, name, i == 0) for i in range(section.bars) if section.first_bar + i > 0
            ]
    return _laid(melody, pieces)


def only_bars(melody: Melody, bars: str) -> Melody:
    """Keep a stretch of bars, such as ``5-8``, counted as they are played, repeats included.

    Raises
    ------
    InputError
        Naming the bars that there are.
    """
    count = len(full_bars(melody))
    match = re.fullmatch(r"\s*(\d{1,6})\s*(?:[-–]\s*(\d{1,6})\s*)?", bars)
    first, last = (int(match[1]), int(match[2] or match[1])) if match else (0, 0)
    if not 1 <= first <= last <= count:
        raise InputError(f'found {bars!r}, expected bars from 1 to {count} as played; write them as in "5-8"')
    names = {bar.number: bar.section for bar in melody.bars}
    starts = {section.first_bar for section in melody.sections}
    return _laid(melody, [_Piece(n, names[n], n == first or n in starts) for n in range(first, last + 1)])


def over(melody: Melody, progression: Progression) -> Melody:
    """Lay a progression under a melody: its sections under those of the same name, or all of it round and round.

    Raises
    ------
    InputError
        Where a section has no changes, or the numbers of bars don't agree.
    """
    names = list(dict.fromkeys(section.name for section in melody.sections))
    bars = full_bars(melody)
    faults: list[Fault] = []
    under: dict[int, tuple[Chord | None, ...]] = {}
    if any(changes.name for changes in progression.sections):
        faults += [
            Fault(f"section {changes.name or 'without a name'} is not in the tune{near_miss(changes.name, names)}; "
                  f"it has {', '.join(names)}")
            for changes in progression.sections
            if changes.name not in names
        ]  # fmt: skip
        for section in melody.sections:
            changes = progression.section(section.name)
            if changes is None or not changes.bars:
                faults.append(Fault(f'section {section.name} has no chords; write a line "{section.name}: ..."'))
            elif section.bars % len(changes.bars):
                faults.append(
                    Fault(f"section {section.name} has {len(changes.bars)} bars of chords and the tune {section.bars}; "
                          f"write {section.bars}, or a number that goes into it")
                )  # fmt: skip
            else:
                for i in range(section.bars):
                    under[section.first_bar + i] = changes.bars[i % len(changes.bars)]
    else:
        count = len(progression.bars)
        if len(bars) % count:
            faults.append(
                Fault(f"found {count} bars of chords, and the tune has {len(bars)} as it is played; "
                      "write as many, or a number that goes into it")
            )  # fmt: skip
        under = {bar.number: progression.bars[(bar.number - 1) % count] for bar in bars}
    if faults:
        raise InputError(*dict.fromkeys(faults))
    spans = []
    for bar in bars:
        for at, length, chord in divided(under[bar.number], bar.meter):
            stop = min(at + length, bar.length)
            if at < stop:
                spans.append(ChordSpan(bar.start + at, stop - at, chord))
    return replace(melody, chords=joined(spans))


def _letters(form: str, names: list[str]) -> list[str]:
    """Read a form; longest names first, so that sections may have names of several letters."""
    pattern = "|".join(sorted((re.escape(name) for name in names if name), key=len, reverse=True)) or "(?!)"
    text = re.sub(r"[\s.,-]+", "", form)
    asked = re.findall(pattern, text)
    if not text or "".join(asked) != text:
        wrong = re.sub(pattern, "", text)[:20]
        raise InputError(
            f"found {form!r}, and the tune has no section {wrong!r}; it has {', '.join(names) or 'no named sections'}"
            if wrong
            else f"an empty form; the tune has the sections {', '.join(names)}"
        )
    if len(asked) > MOST_SECTIONS:
        raise InputError(f"found {len(asked)} sections, expected at most {MOST_SECTIONS}; passes repeat the form")
    return asked


def _laid(melody: Melody, pieces: list[_Piece]) -> Melody:
    """Put bars together in a new order; the pickup stays where the first bar comes first."""
    by_number = {bar.number: bar for bar in melody.bars}
    last = max(by_number)
    pickup = by_number.get(0) if pieces[0].number == 1 else None
    notes: list[MelodyNote] = []
    chords: list[ChordSpan] = []
    bars: list[Bar] = []
    sections: list[Section] = []
    at = Fraction(0)
    if pickup is not None:
        _copy(melody, pickup.start, pickup.end, at, notes=notes, chords=chords)
        bars.append(pickup)
        at = pickup.end
    for index, piece in enumerate(pieces):
        bar = by_number[piece.number]
        following = pieces[index + 1].number if index + 1 < len(pieces) else None
        length = bar.length
        if piece.number == last and following is not None:
            length = max(bar.length, bar.meter.bar)  # the short last bar, in mid form
        elif following is None and piece.number != last and pickup is not None:
            length = min(bar.length, max(bar.meter.bar - pickup.length, Fraction(0)) or bar.length)
        reach = bar.start + min(bar.length, length)
        if following == piece.number + 1:
            reach = melody.length  # a note held over the bar line goes on
        leads = index == 0 or pieces[index - 1].number == piece.number - 1
        stop = bar.start + min(bar.length, length)
        _copy(melody, bar.start, stop, at, notes=notes, chords=chords, reach=reach, leads=leads)
        if length > bar.length and following == 1 and 0 in by_number:
            up = by_number[0]
            if up.length <= length - bar.length:
                _copy(melody, up.start, up.end, at + length - up.length, notes=notes, chords=chords)
        if piece.first:
            sections.append(Section(piece.section, index + 1, 0))
        sections[-1] = replace(sections[-1], bars=sections[-1].bars + 1)
        bars.append(replace(bar, number=index + 1, start=at, length=length, section=piece.section))
        at += length
    ends = [note.end for note in notes]
    if ends and max(ends) > at:
        notes = [replace(note, length=min(note.end, at) - note.start) for note in notes if note.start < at]
    return Melody(
        tuple(notes), _filled(chords, at), tuple(bars), tuple(sections), pickup.length if pickup else Fraction(0), at
    )


def _copy(
    melody: Melody,
    start: Fraction,
    end: Fraction,
    to: Fraction,
    *,
    notes: list[MelodyNote],
    chords: list[ChordSpan],
    reach: Fraction | None = None,
    leads: bool = False,
) -> None:
    """Copy what begins in a stretch of the melody; its notes last to ``reach`` at most, by default the stretch's end.

    ``leads`` says that what was copied before leads into it, so that a slur may go on.
    """
    stop = end if reach is None else reach
    for note in melody.notes:
        if start <= note.start < end:
            slurred = note.slurred and leads and bool(notes)
            length = min(note.end, stop) - note.start
            notes.append(replace(note, start=to + note.start - start, length=length, slurred=slurred))
            leads = True
    for span in melody.chords:
        begin, finish = max(span.start, start), min(span.end, end)
        if begin < finish:
            chords.append(ChordSpan(to + begin - start, finish - begin, span.chord))


def _filled(chords: list[ChordSpan], end: Fraction) -> tuple[ChordSpan, ...]:
    """Let each chord last until the next one."""
    stops = [span.start for span in chords[1:]] + [end]
    return joined([replace(s, length=stop - s.start) for s, stop in zip(chords, stops, strict=True) if stop > s.start])
