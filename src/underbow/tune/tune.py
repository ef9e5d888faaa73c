"""The model of a tune: as it is written, and written out as it is played.

A reader (ABC, MIDI, MusicXML) makes a :class:`Tune`: measures as they stand on the page, and the order in which they are
played. Everything that sounds starts from :meth:`Tune.melody`, which writes the repeats out on one time line.

Conventions
-----------
Positions and lengths are quarter notes, as Fractions. Rests are where no note is. Where a file has chords of notes, the
top note is the melody. A *measure* is what stands between two bar lines, and may be short; a *bar* is what a player
counts: a pickup and the short measure before it together.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from underbow.errors import Fault
from underbow.theory.key import Key
from underbow.theory.meter import Meter, Tempo
from underbow.theory.pitch import Pitch
from underbow.theory.progression import ChordSpan


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


@dataclass(frozen=True, slots=True)
class MelodyNote:
    """A note as played: ties joined, repeats written out; start counts from the first note's bar or pickup."""

    start: Fraction
    length: Fraction
    pitch: Pitch
    under: tuple[Pitch, ...] = ()
    bow: str = ""
    slurred: bool = False  # in one bow with the note before it
    graces: tuple[Pitch, ...] = ()
    marks: tuple[str, ...] = ()

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
        0 for the pickup before the first full bar, then 1, 2, ... as played, repeats included.
    start, length : Fraction
        Quarters from the start of the melody.
    section : str
        The section's letter.
    meter : Meter
    key : Key
    """

    number: int
    start: Fraction
    length: Fraction
    section: str
    meter: Meter
    key: Key

    @property
    def end(self) -> Fraction:
        """Where the next one begins."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class Section:
    """A section as played: its letter, the bar number it begins with, and how many bars it has."""

    name: str
    first_bar: int
    bars: int


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
        Without gaps from 0 to :attr:`length`; bar 0 is the pickup and is there only where there is one.
    sections : tuple of Section
    pickup : Fraction
        Length of bar 0, else 0.
    length : Fraction
        End of the last bar as written: short by the pickup where the tune is written to be repeated.
    """

    notes: tuple[MelodyNote, ...]
    chords: tuple[ChordSpan, ...]
    bars: tuple[Bar, ...]
    sections: tuple[Section, ...]
    pickup: Fraction
    length: Fraction


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
        What it left out because it does not bear on the melody: other voices, directives, words.
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

    def melody(self) -> Melody:
        """Write the tune out as it is played: repeats, ties, chords in force, bars and sections."""
        from underbow.tune.written_out import write_out  # noqa: PLC0415  the model stays readable without it

        return write_out(self)


@dataclass(frozen=True, slots=True)
class Heading:
    """Number, title, rhythm, meter and key of a tune; empty where its header does not say it."""

    number: int
    title: str
    rhythm: str = ""
    meter: str = ""
    key: str = ""
