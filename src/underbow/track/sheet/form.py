"""Which bars of a tune are played, in which order, over which chords.

A tune written out as it is played is taken apart into its bars and put together again: as a form of its sections, as a few bars
for practice, and with a progression laid under it. What comes out is a melody like any other, so that nothing after
this needs to know.
"""

from __future__ import annotations

import re
from dataclasses import replace

from underbow.errors import Fault, InputError, near_miss
from underbow.theory.chord import Chord
from underbow.theory.progression import ChordSpan, Progression, divided, joined
from underbow.track.sheet.laying import Layer, Piece, full_bars
from underbow.tune.tune import Melody, Section

MOST_SECTIONS = 200


def in_form(melody: Melody, form: str) -> Melody:
    """Play a melody's sections in another order.

    Where a section was played several times, with other endings, each time takes the one that leads to what comes next; after
    the last one the form begins again.

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
    asked = _letters(form, list(rounds))
    after = {  # where each played section led; the last one leads round to the first
        section.first_bar: melody.sections[(i + 1) % len(melody.sections)].name
        for i, section in enumerate(melody.sections)
    }
    pieces: list[Piece] = []
    for i, name in enumerate(asked):
        following = asked[(i + 1) % len(asked)]
        leading = [section for section in rounds[name] if after[section.first_bar] == following]
        section = (leading or rounds[name][-1:])[0]
        pieces += [Piece(section.first_bar + n, name, n == 0) for n in range(section.bars)]
    return Layer(melody).laid(pieces)


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
    return Layer(melody).laid([Piece(n, names[n], n in starts) for n in range(first, last + 1)])


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
