"""Which bars of a tune are played, in which order, over which chords.

A tune written out as it is played is taken apart into its bars and put together again: as a form of its sections, as a few bars
for practice, and with a progression laid under it. What comes out is a melody like any other, so that nothing after
this needs to know.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from dataclasses import dataclass, replace
from fractions import Fraction

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
    pieces: list[_Piece] = []
    for i, name in enumerate(asked):
        following = asked[(i + 1) % len(asked)]
        leading = [section for section in rounds[name] if after[section.first_bar] == following]
        section = (leading or rounds[name][-1:])[0]
        pieces += [_Piece(section.first_bar + n, name, n == 0) for n in range(section.bars)]
    return _Layer(melody).laid(pieces)


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
    return _Layer(melody).laid([_Piece(n, names[n], n in starts) for n in range(first, last + 1)])


def waited_out(melody: Melody) -> tuple[Melody, tuple[int, ...]]:
    """Fill short bars at the end of sections with a rest, as players do who keep the beat; say which.

    What is short elsewhere stays so, and so does the last bar of all.
    """
    begins = {section.first_bar for section in melody.sections}
    short = tuple(
        bar.number
        for bar in full_bars(melody)
        if bar.length < bar.meter.bar and bar.number + 1 in begins and _lasting(melody, bar.number + 1)
    )
    if not short:
        return melody, ()
    bars = full_bars(melody)
    return _Layer(melody).laid([_Piece(bar.number, bar.section, bar.number in begins) for bar in bars]), short


def _lasting(melody: Melody, number: int) -> bool:
    """Whether a bar is whole: a short one after a short one is no pickup that was left out."""
    bar = next(bar for bar in melody.bars if bar.number == number)
    return bar.length >= bar.meter.bar


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


class _Layer:
    """Puts a melody's bars together in a new order. A pickup stays before the section that the tune begins with."""

    def __init__(self, melody: Melody) -> None:
        self._melody = melody
        self._bars = {bar.number: bar for bar in melody.bars}
        self._note_starts = [note.start for note in melody.notes]
        self._chord_ends = [span.end for span in melody.chords]
        self._home = self._bars[1].section if 1 in self._bars else ""
        self._notes: list[MelodyNote] = []
        self._chords: list[ChordSpan] = []

    def laid(self, pieces: list[_Piece]) -> Melody:
        """Lay bars one after the other."""
        pickup = self._bars.get(0) if self._begins_tune(pieces[0]) else None
        bars: list[Bar] = []
        sections: list[Section] = []
        at = Fraction(0)
        if pickup is not None:
            self._copy(pickup.start, pickup.end, at)
            bars.append(pickup)
            at = pickup.end
        for index, piece in enumerate(pieces):
            following = pieces[index + 1] if index + 1 < len(pieces) else None
            length = self._length(piece, following, pickup)
            bar = self._bars[piece.number]
            stop = bar.start + min(bar.length, length)
            goes_on = following is not None and following.number == piece.number + 1
            follows = index == 0 or pieces[index - 1].number == piece.number - 1
            self._copy(bar.start, stop, at, reach=self._melody.length if goes_on else stop, follows=follows)
            self._lead_in(following, at + min(bar.length, length), at + length)
            if piece.first or index == 0:
                sections.append(Section(piece.section, index + 1, 0))
            sections[-1] = replace(sections[-1], bars=sections[-1].bars + 1)
            bars.append(replace(bar, number=index + 1, start=at, length=length, section=piece.section))
            at += length
        notes = tuple(replace(note, length=min(note.end, at) - note.start) for note in self._notes)
        length = pickup.length if pickup else Fraction(0)
        return Melody(notes, _filled(self._chords, at), tuple(bars), tuple(sections), length, at)

    def _begins_tune(self, piece: _Piece) -> bool:
        return piece.first and piece.section == self._home

    def _length(self, piece: _Piece, following: _Piece | None, pickup: Bar | None) -> Fraction:
        """Length of a bar: one that the pickup completes is short at the very end and whole before that."""
        bar = self._bars[piece.number]
        if following is None and piece.number == max(self._bars):
            return bar.length
        if following is not None:  # what is short at the end of a section is waited out
            return max(bar.length, bar.meter.bar) if following.first else bar.length
        if pickup is not None and pickup.length < bar.length == bar.meter.bar:
            return bar.length - pickup.length
        return bar.length

    def _lead_in(self, following: _Piece | None, start: Fraction, end: Fraction) -> None:
        """Fill what the tune's short last bar leaves free with the pickup, where the tune begins again after it."""
        pickup = self._bars.get(0)
        if (
            pickup is not None
            and following is not None
            and self._begins_tune(following)
            and end - start >= pickup.length
        ):
            self._copy(pickup.start, pickup.end, end - pickup.length)

    def _copy(
        self, start: Fraction, end: Fraction, to: Fraction, *, reach: Fraction | None = None, follows: bool = False
    ) -> None:
        """Copy what begins in a stretch of the melody; its notes last to ``reach`` at most, by default the stretch's end.

        ``follows`` says that it was played after what was copied before, so that a slur may go on.
        """
        stop = end if reach is None else reach
        for note in self._melody.notes[bisect_left(self._note_starts, start) : bisect_left(self._note_starts, end)]:
            slurred = note.slurred and follows and bool(self._notes)
            length = min(note.end, stop) - note.start
            self._notes.append(replace(note, start=to + note.start - start, length=length, slurred=slurred))
            follows = True
        for span in self._melody.chords[bisect_right(self._chord_ends, start) :]:
            if span.start >= end:
                break
            begin, finish = max(span.start, start), min(span.end, end)
            self._chords.append(ChordSpan(to + begin - start, finish - begin, span.chord))


def _filled(chords: list[ChordSpan], end: Fraction) -> tuple[ChordSpan, ...]:
    """Let each chord last until the next one."""
    if not chords:
        return ()
    stops = [span.start for span in chords[1:]] + [end]
    return joined([replace(s, length=stop - s.start) for s, stop in zip(chords, stops, strict=True) if stop > s.start])
