"""Which bars of a tune are played, in which order, over which chords.

A form is another order of the tune's measures; a few bars for practice are taken out of the melody as it is written out; a
progression is laid under it. What comes out is a melody like any other, so that nothing after this needs to know.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from dataclasses import replace
from fractions import Fraction

from underbow.errors import Fault, InputError, near_miss
from underbow.text import nth
from underbow.theory.chord import Chord
from underbow.theory.progression import ChordSpan, Progression, divided, joined
from underbow.tune.tune import Bar, Melody, MelodyNote, Tune
from underbow.tune.written_out import cut_short, section_places

MOST_SECTIONS = 200


def order_in_form(tune: Tune, form: str) -> tuple[int, ...]:
    """Give the order of a tune's measures that plays its sections in another order.

    Where a section was played several times, with other endings, each time takes the one that leads to what comes next; after
    the last one the form begins again. A section that comes after another one than in the tune has its pickup before it.

    Parameters
    ----------
    tune : Tune
    form : str
        Section letters, such as ``AABB``; spaces are free.

    Raises
    ------
    InputError
        Naming the sections that there are.
    """
    played = section_places(tune)
    rounds: dict[str, list[int]] = {}
    for i, (name, _) in enumerate(played):
        rounds.setdefault(name, []).append(i)
    asked = _letters(form, list(rounds))
    pickups = {name: _pickup(tune, [played[i][1] for i in own]) for name, own in rounds.items()}
    order: list[int] = []
    before = -1
    for i, name in enumerate(asked):
        following = asked[(i + 1) % len(asked)]
        leading = [k for k in rounds[name] if played[(k + 1) % len(played)][0] == following] or rounds[name][-1:]
        here = before + 1 if before + 1 in leading else leading[0]
        measures = [tune.order[place] for place in played[here][1]]
        if here != before + 1 and not _is_short(tune, measures[0]):
            order += pickups[name]
        order += measures
        before = here
    return tuple(order)


def _pickup(tune: Tune, times: list[range]) -> list[int]:
    """Find the pickup that a section has the first time that it has one."""
    return next(([tune.order[places[0]]] for places in times if _is_short(tune, tune.order[places[0]])), [])


def _is_short(tune: Tune, index: int) -> bool:
    return tune.measures[index].length < tune.measures[index].meter.bar


def take_bars(melody: Melody, bars: str) -> Melody:
    """Keep a stretch of bars by their printed numbers, such as ``5-8``, each once; the pickup stays with bar 1.

    Raises
    ------
    InputError
        Naming the bars that there are.
    """
    highest = max(bar.number for bar in melody.bars)
    first, last = _stretch(bars)
    if not 1 <= first <= last <= highest:
        raise InputError(f'found {bars!r}, expected bars from 1 to {highest} as printed; write them as in "5-8"')
    numbers = {bar.number for bar in melody.bars}
    missing = [number for number in range(first, last + 1) if number not in numbers]
    if missing:
        raise InputError(f"found {bars!r}, but bar {missing[0]} is not played in this form; leave it out")
    return _taken(melody, _places(melody, first, last))


def bars_if_played(melody: Melody, bars: str) -> str:
    r"""Say which printed bars a stretch would have been if it counted bars as played; nothing where that is the same.

    >>> from underbow.tune.abc.reader import read_abc
    >>> from underbow.tune.written_out import write_out
    >>> tune, = read_abc("X:1\nM:2/4\nL:1/8\nK:G\n|:G4|B4:|d4|g4|]")
    >>> bars_if_played(write_out(tune), "1-2"), bars_if_played(write_out(tune), "3-4")
    ('', 'bars 1 to 2, second time')
    """
    first, last = _stretch(bars)
    counted = melody.full_bars[max(first - 1, 0) : last]
    if not counted or [bar.number for bar in counted] == list(range(first, last + 1)):
        return ""
    begin, end = counted[0], counted[-1]
    if begin.time == end.time and begin.number <= end.number:
        numbers = f"bar {begin.number}" if begin is end else f"bars {begin.number} to {end.number}"
        return numbers + time_words(begin.time)
    return f"bar {begin.number}{time_words(begin.time)} to bar {end.number}{time_words(end.time)}"


def time_words(time: int) -> str:
    """Say which time a bar is played; nothing for the first.

    >>> time_words(1), time_words(2), time_words(5)
    ('', ', second time', ', 5th time')
    """
    return "" if time == 1 else f", {_TIMES.get(time, nth(time))} time"


_TIMES = {2: "second", 3: "third", 4: "fourth"}


def check_stretch(bars: str) -> None:
    """Check what can be checked of a stretch of bars while the tune is not known; raises InputError."""
    first, last = _stretch(bars)
    if not 1 <= first <= last:
        raise InputError(f'found {bars!r}, expected bars as printed; write them as in "5-8"')


def _stretch(bars: str) -> tuple[int, int]:
    """Read ``5-8`` or ``5``; 0 to 0 where it is neither."""
    match = re.fullmatch(r"\s*(\d{1,6})\s*(?:[-–]\s*(\d{1,6})\s*)?", bars)
    return (int(match[1]), int(match[2] or match[1])) if match else (0, 0)


def _places(melody: Melody, first: int, last: int) -> list[int]:
    """Choose which time of each bar is played: where they can be had one after the other, that time."""
    places: list[int] = []
    times: dict[int, list[int]] = {}
    for i, bar in enumerate(melody.bars):
        times.setdefault(bar.number, []).append(i)
    for number in range(first, last + 1):

        def leads(i: int, number: int = number) -> tuple[bool, bool]:
            after = melody.bars[i + 1].number if i + 1 < len(melody.bars) else 0
            return bool(places) and places[-1] + 1 == i, number == last or after == number + 1

        places.append(max(times[number], key=leads))
    return [0, *places] if first == 1 and melody.pickup else places


def _taken(melody: Melody, places: list[int]) -> Melody:
    """Put the bars at these places together: notes end with the last bar that follows, chords in force go on."""
    starts = [note.start for note in melody.notes]
    ends = [span.end for span in melody.chords]
    pickup = melody.pickup if places[0] == 0 else Fraction(0)
    notes: list[MelodyNote] = []
    chords: list[ChordSpan] = []
    bars: list[Bar] = []
    now = Fraction(0)
    for n, place in enumerate(places):
        bar, last = melody.bars[place], n == len(places) - 1
        length = bar.length
        if place == len(melody.bars) - 1 and (
            not last or melody.pickup > pickup
        ):  # short for a pickup that does not come now
            length = max(length, bar.meter.bar)
        elif last and place < len(melody.bars) - 1 and length == bar.meter.bar > pickup:
            length -= pickup  # which lies in it when it goes round
        stop = bar.start + min(bar.length, length)
        reach = melody.length if not last and places[n + 1] == place + 1 else stop
        follows = n > 0 and places[n - 1] == place - 1
        for note in melody.notes[bisect_left(starts, bar.start) : bisect_left(starts, stop)]:
            cut = cut_short(note, reach)
            notes.append(replace(cut, start=now + cut.start - bar.start, slurred=cut.slurred and follows))
            follows = True
        for span in melody.chords[bisect_right(ends, bar.start) :]:
            if span.start >= stop:
                break
            begin, finish = max(span.start, bar.start), min(span.end, stop)
            chords.append(ChordSpan(now + begin - bar.start, finish - begin, span.chord))
        begins = bar.number > 0 and (bar.section_start or n == (1 if pickup else 0))
        bars.append(replace(bar, time=1, start=now, length=length, section_start=begins))
        now += length
    return Melody(tuple(cut_short(note, now) for note in notes), _filled(chords, now), tuple(bars))


def _filled(chords: list[ChordSpan], end: Fraction) -> tuple[ChordSpan, ...]:
    """Let each chord last until the next one."""
    if not chords:
        return ()
    stops = [span.start for span in chords[1:]] + [end]
    return joined([replace(s, length=stop - s.start) for s, stop in zip(chords, stops, strict=True) if stop > s.start])


def lay_under(melody: Melody, progression: Progression) -> Melody:
    """Lay a progression under a melody: its sections under those of the same name, or all of it round and round.

    Raises
    ------
    InputError
        Where a section has no changes, or the numbers of bars don't agree.
    """
    sections, bars = melody.sections, melody.full_bars
    names = list(dict.fromkeys(section.name for section in sections))
    faults: list[Fault] = []
    under: list[tuple[Chord | None, ...]] = []
    if any(changes.name for changes in progression.sections):
        faults += _strange_sections(progression, names)
        for section in sections:
            changes, count = progression.section(section.name), len(section.bars)
            if changes is None or not changes.bars:
                faults.append(Fault(f'section {section.name} has no chords; write a line "{section.name}: ..."'))
            elif count % len(changes.bars):
                faults.append(
                    Fault(f"section {section.name} has {len(changes.bars)} bars of chords and the tune {count}; "
                          f"write {count}, or a number that goes into it")
                )  # fmt: skip
            else:
                under += [changes.bars[i % len(changes.bars)] for i in range(count)]
    else:
        count = len(progression.bars)
        if len(bars) % count:
            faults.append(
                Fault(f"found {count} bars of chords, and the tune has {len(bars)} as it is played; "
                      "write as many, or a number that goes into it")
            )  # fmt: skip
        under = [progression.bars[i % count] for i in range(len(bars))]
    if faults:
        raise InputError(*dict.fromkeys(faults))
    spans = [span for bar, chords in zip(bars, under, strict=True) for span in _under(bar, chords)]
    return replace(melody, chords=joined(spans))


def check_sections(melody: Melody, progression: Progression) -> None:
    """Check what can be checked of a progression while it isn't known how often each section is played.

    Raises
    ------
    InputError
        With its sections that the tune hasn't.
    """
    if faults := _strange_sections(progression, list(dict.fromkeys(section.name for section in melody.sections))):
        raise InputError(*faults)


def _strange_sections(progression: Progression, names: list[str]) -> list[Fault]:
    return [
        Fault(f"section {changes.name or 'without a name'} is not in the tune{near_miss(changes.name, names)}; "
              f"it has {', '.join(names)}")
        for changes in progression.sections
        if changes.name not in names and any(each.name for each in progression.sections)
    ]  # fmt: skip


def _under(bar: Bar, chords: tuple[Chord | None, ...]) -> list[ChordSpan]:
    """Share a bar among its chords."""
    return [
        ChordSpan(bar.start + start, min(length, bar.length - start), chord)
        for start, length, chord in divided(chords, bar.meter)
        if start < bar.length
    ]


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
