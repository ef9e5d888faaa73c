"""Putting a melody's bars together in a new order."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, replace
from fractions import Fraction

from underbow.theory.progression import ChordSpan, joined
from underbow.tune.tune import Bar, Melody, MelodyNote, Section


@dataclass(frozen=True, slots=True)
class Piece:
    """A bar to play: its number in the melody, the section it is played as, whether that section begins here."""

    number: int
    section: str
    first: bool
    tail: int = 0  # a pickup's bar that is laid over its end


def full_bars(melody: Melody) -> tuple[Bar, ...]:
    """Give the bars without the pickup."""
    return tuple(bar for bar in melody.bars if bar.number > 0)


class Layer:
    """Puts a melody's bars together in a new order. A pickup stays before the section that the tune begins with."""

    def __init__(self, melody: Melody) -> None:
        self._melody = melody
        self._bars = {bar.number: bar for bar in melody.bars}
        self._note_starts = [note.start for note in melody.notes]
        self._chord_ends = [span.end for span in melody.chords]
        self._home = self._bars[1].section if 1 in self._bars else ""
        self._notes: list[MelodyNote] = []
        self._chords: list[ChordSpan] = []

    def laid(self, pieces: list[Piece]) -> Melody:
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
            over_end = self._bars[piece.tail] if piece.tail else None
            stop = bar.start + min(bar.length, length) - (over_end.length if over_end else 0)
            goes_on = following is not None and following.number == piece.number + 1  # false before a tail
            follows = index == 0 or pieces[index - 1].number == piece.number - 1
            self._copy(bar.start, stop, at, reach=self._melody.length if goes_on else stop, follows=follows)
            if over_end:
                self._copy(over_end.start, over_end.end, at + stop - bar.start)
            self._lead_in(following, at + min(bar.length, length), at + length)
            if piece.first or index == 0:
                sections.append(Section(piece.section, index + 1, 0))
            sections[-1] = replace(sections[-1], bars=sections[-1].bars + 1)
            bars.append(replace(bar, number=index + 1, start=at, length=length, section=piece.section))
            at += length
        notes = tuple(replace(note, length=min(note.end, at) - note.start) for note in self._notes)
        length = pickup.length if pickup else Fraction(0)
        return Melody(notes, _filled(self._chords, at), tuple(bars), tuple(sections), length, at)

    def _begins_tune(self, piece: Piece) -> bool:
        return piece.first and piece.section == self._home

    def _length(self, piece: Piece, following: Piece | None, pickup: Bar | None) -> Fraction:
        """Length of a bar: one that the pickup completes is short at the very end and whole before that."""
        bar = self._bars[piece.number]
        if following is None and piece.number == max(self._bars):
            return bar.length
        if following is not None:  # what is short at the end of a section is waited out
            return max(bar.length, bar.meter.bar) if following.first else bar.length
        if pickup is not None and pickup.length < bar.length == bar.meter.bar:
            return bar.length - pickup.length
        return bar.length

    def _lead_in(self, following: Piece | None, start: Fraction, end: Fraction) -> None:
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
