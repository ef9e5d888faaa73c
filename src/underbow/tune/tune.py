"""The model of a tune: as it is written, and written out as it is played.

A reader (ABC, MIDI, MusicXML) makes a :class:`Tune`: measures as they stand on the page, and the order in which they are
played. Everything that sounds starts from :func:`~underbow.tune.written_out.write_out`, which makes a :class:`Melody` of it:
the repeats written out on one time line.

Conventions
-----------
Positions and lengths are quarter notes, as Fractions. Rests are where no note is. Where a file has chords of notes, the
top note is the melody. A *measure* is what stands between two bar lines, and may be short; a *bar* is what a player
counts: a pickup and the short measure before it together. Bars have the numbers that are printed (see :class:`Bar`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

from underbow.errors import Fault
from underbow.theory.key import Key
from underbow.theory.meter import Meter, Tempo
from underbow.theory.pitch import Pitch
from underbow.theory.progression import ChordSpan

MOST_VERSES = 9  # under one line


@dataclass(frozen=True, slots=True)
class Note:
    """A note as written.

    Parameters
    ----------
    start, length : Fraction
        Quarters; start counts from the beginning of the measure.
    pitch : Pitch
        As it sounds, signature and accidentals applied.
    under : tuple of Pitch
        Other notes of a chord, below the melody.
    tied : bool
        Goes on into the next note of the same pitch.
    bow : str
        ``"d"``, ``"u"`` or empty where the tune has no mark.
    slur_starts, slur_ends : int
        How many slurs open before it and close after it.
    graces : tuple of Pitch
        Played before the beat; they take no time of the notation.
    marks : tuple of str
        Ornaments and articulations by name: roll, trill, turn, mordent, staccato, accent, fermata, ...
    tuplet : (int, int) or None
        Played and written number, ``(3, 2)`` for a triplet note.
    source : (int, int) or None
        Where it stands in the text it was read from: first character and the one after its last, from 0.
    words : tuple of str
        For each verse what is sung to it: a syllable, with ``-`` after it where its word goes on; ``"_"`` where the one before
        is held; or nothing.
    """

    start: Fraction
    length: Fraction
    pitch: Pitch
    under: tuple[Pitch, ...] = ()
    tied: bool = False
    bow: str = ""
    slur_starts: int = 0
    slur_ends: int = 0
    graces: tuple[Pitch, ...] = ()
    marks: tuple[str, ...] = ()
    tuplet: tuple[int, int] | None = None
    source: tuple[int, int] | None = None
    words: tuple[str, ...] = ()

    @property
    def midi(self) -> int:
        """MIDI number of the melody note."""
        return self.pitch.midi


@dataclass(frozen=True, slots=True)
class Measure:
    """What stands between two bar lines.

    Parameters
    ----------
    length : Fraction
        What it holds, in quarters; the meter's bar unless it is a pickup, completes one, or is faulty.
    notes : tuple of Note
    chords : tuple of ChordSpan
        Chord symbols from where they stand to the next one, or to the end of the measure. None where one says "no chord".
        Where a measure begins without a symbol, nothing is listed: the chord before it holds on.
    key, meter : Key, Meter
        In force at its start.
    tempo : Tempo or None
        Where one is set in or before this measure.
    section : str
        Name of the section that it belongs to: a part's letter.
    repeat_start, repeat_end : int
        ``|:`` before it gives 1; ``:|`` after it gives 1, ``::|`` gives 2.
    ending : tuple of int
        Numbers of the ending it lies in; empty outside one.
    ending_start : bool
        Whether that ending begins here.
    final : str
        The bar line that closes it where it says more than a plain one: ``"||"``, ``"|]"``; or empty.
    new_line : bool
        Whether the page has a new line of music after it.
    place : (int, int) or None
        Line and column, from 1, where it begins in the text it was read from.
    """

    length: Fraction
    notes: tuple[Note, ...]
    chords: tuple[ChordSpan, ...]
    key: Key
    meter: Meter
    tempo: Tempo | None = None
    section: str = ""
    repeat_start: int = 0
    repeat_end: int = 0
    ending: tuple[int, ...] = ()
    ending_start: bool = False
    final: str = ""
    new_line: bool = False
    place: tuple[int, int] | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class MelodyNote:
    """A note as played: ties joined, repeats written out; start counts from the first note's bar or pickup.

    ``written`` says where it stands on the page: the index of a measure and of a note in it for each written note that is tied
    into this one, with how many quarters after its start that one begins.
    """

    start: Fraction
    length: Fraction
    pitch: Pitch
    under: tuple[Pitch, ...] = ()
    bow: str = ""
    slurred: bool = False  # in one bow with the note before it
    graces: tuple[Pitch, ...] = ()
    marks: tuple[str, ...] = ()
    written: tuple[tuple[Fraction, int, int], ...] = field(default=(), compare=False)

    @property
    def midi(self) -> int:
        """MIDI number."""
        return self.pitch.midi

    @property
    def end(self) -> Fraction:
        """Where it stops."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class Bar:
    """A bar as a player counts it.

    Parameters
    ----------
    number : int
        As printed: 0 for the pickup that the melody begins with, then counted down the page from 1, first and second endings
        one after the other; a bar that a repeat sign cuts in two is one bar, and has the number of its first part.
    time : int
        How many times it has been played, this time counted: 1, 2, ...
    start, length : Fraction
        Quarters from the start of the melody.
    section : str
        The section's letter.
    section_start : bool
        Whether a section begins with it; False for a pickup.
    meter : Meter
    key : Key
    measures : tuple of (int, Fraction)
        The measures it is made of: their indices in the tune, and where in the bar each begins.
    """

    number: int
    time: int
    start: Fraction
    length: Fraction
    section: str
    section_start: bool
    meter: Meter
    key: Key
    measures: tuple[tuple[int, Fraction], ...] = ()

    @property
    def end(self) -> Fraction:
        """Where the next one begins."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class Section:
    """A section as played: its letter and its bars, without the pickup."""

    name: str
    bars: tuple[Bar, ...]


@dataclass(frozen=True, slots=True)
class Melody:
    """A tune written out on one time line, from the first note of its pickup to its end.

    Parameters
    ----------
    notes : tuple of MelodyNote
        In time, one after the other.
    chords : tuple of ChordSpan
        The chord in force from each change to the next; empty where the tune has none. The first one
        is in force from the start of the first full bar at the latest.
    bars : tuple of Bar
        Without gaps from 0 to :attr:`length`; the first has number 0 where it is a pickup.
    """

    notes: tuple[MelodyNote, ...]
    chords: tuple[ChordSpan, ...]
    bars: tuple[Bar, ...]

    @property
    def full_bars(self) -> tuple[Bar, ...]:
        """The bars without the pickup."""
        return self.bars[1:] if self.pickup else self.bars

    @property
    def sections(self) -> tuple[Section, ...]:
        """The sections in the order played."""
        bars = self.full_bars
        starts = [i for i, bar in enumerate(bars) if bar.section_start]
        return tuple(Section(bars[i].section, bars[i:j]) for i, j in pairwise([*starts, len(bars)]))

    @property
    def pickup(self) -> Fraction:
        """Length of the pickup that it begins with, else 0."""
        return self.bars[0].length if self.bars and self.bars[0].number == 0 else Fraction(0)

    @property
    def length(self) -> Fraction:
        """End of the last bar as written: short by the pickup where the tune is written to be repeated."""
        return self.bars[-1].end if self.bars else Fraction(0)

    @property
    def finish(self) -> Fraction:
        """Where it ends when nothing comes after it: a last bar that is short for the pickup's sake is held to its end."""
        last = self.bars[-1]
        return max(last.start + last.meter.bar, last.end) if self.pickup < last.meter.bar else last.end

    @property
    def loop(self) -> Fraction:
        """Where it begins again when it goes round: the pickup lies in the last bar, over its end if that is written full."""
        last = self.bars[-1]
        return self.finish - (self.pickup if last.length <= last.meter.bar and self.pickup < last.meter.bar else 0)


@dataclass(frozen=True, slots=True)
class Tune:
    """A tune as written.

    Parameters
    ----------
    title : str
    key, meter : Key, Meter
        At its start.
    measures : tuple of Measure
    order : tuple of int
        Indices into ``measures`` in the order played: repeats, endings and part orders resolved by the reader.
    tempo : Tempo or None
        What the tune itself asks for.
    rhythm : str
        The dance, in lower case, where it is given: reel, jig, waltz, ...
    composer, source : str
    number : int
        The tune's number in its book; 1 where it has none.
    free : bool
        Whether it was written without a meter; ``meter`` is then what was assumed to count it.
    told : tuple of Fault
        What the reader could not make sense of and what it assumed instead.
    passed_over : tuple of Fault
        What it left out because it doesn't affect the melody: other voices, directives, words.
    meter_assumed : bool
        Whether the meter was not left free on purpose: nothing was said of it, and ``told`` says what it is counted by.
    """

    title: str
    key: Key
    meter: Meter
    measures: tuple[Measure, ...]
    order: tuple[int, ...]
    tempo: Tempo | None = None
    rhythm: str = ""
    composer: str = ""
    source: str = ""
    number: int = 1
    free: bool = False
    told: tuple[Fault, ...] = field(default=())
    passed_over: tuple[Fault, ...] = field(default=())
    meter_assumed: bool = False


@dataclass(frozen=True, slots=True)
class Heading:
    """Number, title, rhythm, meter and key of a tune; empty where its header does not say it."""

    number: int
    title: str
    rhythm: str = ""
    meter: str = ""
    key: str = ""
