"""Notes from signs: pitches with accidentals in force, lengths through broken rhythm, tuplets and brackets, ties and marks.

Accidentals hold to the end of the bar, by default in all octaves, as the standard says (2.1, section 11.3,
``%%propagate-accidentals pitch``); ``octave`` is the rule of printed music, ``not`` makes each one count for its note
alone. A note tied over a bar line keeps its accidental. Graces take no time and their accidentals count too.
"""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache
from typing import Literal

from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.theory.pitch import Pitch
from underbow.tune.abc.lexer import length_of, note_sign, signs
from underbow.tune.page.draft import Event
from underbow.tune.page.told import Told

Accidentals = Literal["pitch", "octave", "not"]
MARKS = {".": "staccato", "~": "roll", "H": "fermata", "L": "accent", "M": "mordent", "O": "coda", "P": "upper mordent",
         "S": "segno", "T": "trill", "u": "upbow", "v": "downbow"}  # fmt: skip
NAMES = {"lowermordent": "mordent", "uppermordent": "upper mordent", "pralltriller": "upper mordent", ">": "accent",
         "emphasis": "accent", "tr": "trill"}  # fmt: skip
_TIME = {2: 3, 3: 2, 4: 3, 6: 2, 8: 3}  # tuplets whose time is the same in every meter (section 4.13)
_BOWS = {"upbow": "u", "downbow": "d"}


class NoteReader:
    """Keeps what a note depends on, and adds notes to the measure in hand."""

    def __init__(self, told: Told, accidentals: Accidentals) -> None:
        self.told = told
        self.accidentals = accidentals
        self._signature: dict[str, int] = {}
        self._unit = Fraction(1, 2)
        self._lengths: dict[Fraction, Fraction] = {}  # units to quarters, kept because exact fractions are slow to make
        self.meter: Meter | None = None
        self.shift = (0, 0)
        self.user_marks: dict[str, str] = {}
        self.in_bar: dict[tuple[str, int], int] = {}
        self.last: Event | None = None  # the note, chord or rest before this one
        self.bracket: list[tuple[Event, Fraction]] | None = None
        self.bracket_start = 0
        self.broken = 0
        self.broken_place = 0
        self.tuplet_now: list[int] | None = None  # p, q, notes still to come
        self.marks: list[str] = []
        self.graces: tuple[Pitch, ...] = ()
        self.slurs = 0

    @property
    def unit(self) -> Fraction:
        """Unit note length in quarters."""
        return self._unit

    @unit.setter
    def unit(self, unit: Fraction) -> None:
        if unit != self._unit:
            self._unit = unit
            self._lengths = {}

    def use_key(self, key: Key) -> None:
        """Let a key signature count from here on."""
        self._signature = {letter: key.alteration(letter) for letter in "ABCDEFG"}

    def _quarters(self, units: Fraction) -> Fraction:
        length = self._lengths.get(units)
        if length is None:
            length = self._lengths[units] = units * self._unit
        return length

    # -- pitch ------------------------------------------------------------------------------------------------------

    def new_bar(self) -> None:
        """Forget the accidentals of the bar that ended."""
        self.in_bar.clear()

    def pitch(self, text: str, place: int) -> tuple[Pitch, Fraction]:
        """Give the pitch of a note sign, accidentals in force applied, and its length in units."""
        written = note_sign(text)
        if not written.good:
            self.told.assume(f"{text!r} isn't a playable note; read as a plain {written.letter}", place)
        scope = (written.letter, written.octave if self.accidentals == "octave" else 0)
        alter = written.accidental
        if alter is None:
            alter = self._tied(written.letter, written.octave)
            if alter is None:
                alter = self.in_bar.get(scope)
            if alter is None:
                alter = self._signature[written.letter]
        elif self.accidentals != "not":
            self.in_bar[scope] = alter
        return _pitch(written.letter, alter, written.octave), written.length

    def _tied(self, letter: str, octave: int) -> int | None:
        if self.last is None or self.bracket:
            return None
        for pitch, tied in self.last.pitches:
            if (tied or self.last.tied) and (pitch.letter, pitch.octave) == (letter, octave):
                return pitch.alter
        return None

    # -- one sign each ----------------------------------------------------------------------------------------------

    def note(self, text: str, place: int) -> Event | None:
        """Read a note; None inside a bracket, which gives one event when it closes."""
        pitch, units = self.pitch(text, place)
        source = (place, place + len(text))
        if self.bracket is not None:
            self.bracket.append((Event(self._quarters(units), [(pitch, False)], source=source), units))
            return None
        return self._place(Event(self._quarters(units), [(pitch, False)], source=source))

    def rest(self, text: str, place: int) -> Event | None:
        """Read ``z`` or ``x``."""
        units = length_of(text[1:])
        if units is None:
            self.told.assume(f"{text!r} isn't a countable rest; read as one unit", place)
        if self.bracket is not None:
            return None
        return self._place(Event(self._quarters(units or Fraction(1)), source=(place, place + len(text))))

    def open_bracket(self, place: int) -> None:
        """Begin a chord of notes."""
        if self.bracket is not None:
            self.told.assume("a chord of notes opens inside another; the first [ was left out", place)
            return
        self.bracket, self.bracket_start = [], place

    def close_bracket(self, text: str, place: int) -> Event | None:
        """End a chord of notes: its length is its first note's times the number after it (section 4.17)."""
        inside, self.bracket = self.bracket, None
        if inside is None:
            self.told.assume("] without the [ of a chord; left out", place)
            return None
        outer = length_of(text[1:])
        if outer is None:
            self.told.assume(f"{text!r} isn't a length; read as one unit", place)
        if not inside:
            self.told.assume("a chord of notes without notes; left out", place)
            return None
        pitches = [pair for event, _ in inside for pair in event.pitches]
        length = inside[0][1] * (outer or Fraction(1)) * self.unit
        return self._place(Event(length, pitches, source=(self.bracket_start, place + len(text))))

    def lengthen(self, text: str) -> bool:
        """Take a length that a line break has parted from its note; False where there is none."""
        length = length_of(text)
        event = self.bracket[-1][0] if self.bracket else self.last
        if length is None or event is None or (self.bracket is not None and not self.bracket):
            return False
        if self.bracket:
            self.bracket[-1] = (event, self.bracket[-1][1] * length)
        event.length *= length
        return True

    def grace(self, text: str, place: int) -> None:
        """Read graces: they take no time of the melody (section 4.12)."""
        inside = text.strip("{}/ ")
        self.graces += tuple(self.pitch(sign.text, place)[0] for sign in signs(inside) if sign.kind == "note")

    def tuplet(self, text: str, place: int) -> None:
        """Read ``(p:q:r`` (section 4.13)."""
        numbers = [int(number) if number and len(number) < 4 else 0 for number in text.strip("( \t").split(":")]
        p, q, r = [*numbers, 0, 0][:3]
        compound = self.meter is not None and self.meter.compound and self.meter.bar != Fraction(3, 2)
        q = q or _TIME.get(p, 3 if compound else 2)
        r = r or p
        if not 2 <= p <= 64 or not 1 <= q <= 64 or r > 64 or (":" not in text and p > 9):
            self.told.assume(f"{text!r} isn't a playable tuplet; the notes are read as written", place)
            return
        if self.tuplet_now is not None:
            self.told.assume(
                "a tuplet inside another, which the standard does not know; the earlier one ends here", place
            )
        self.tuplet_now = [p, q, r]

    def break_rhythm(self, text: str, place: int) -> None:
        """Read ``>`` or ``<``; both notes change when the second one comes (section 4.4, which leaves unequal ones undefined)."""
        if self.bracket:
            self.told.assume(f"{text!r} inside a chord of notes; left out", place)
            return
        if self.last is None or self.broken or len(text) > 3:
            self.told.assume(f"{text!r} has no two notes to share their time unevenly; left out", place)
            return
        self.broken = len(text) if text[0] == ">" else -len(text)
        self.broken_place = place

    def tie(self, place: int) -> None:
        """Tie the note before it to the next one (section 4.11)."""
        if self.bracket:
            event = self.bracket[-1][0]
            event.pitches = [(pitch, True) for pitch, _ in event.pitches]
        elif self.last is None or not self.last.pitches:
            self.told.assume("a tie with no note before it; left out", place)
        else:
            self.last.tied = True

    def slur(self) -> None:
        """Open a slur before the next note."""
        self.slurs += 1

    def unslur(self, place: int) -> None:
        """Close a slur after the last note."""
        if self.slurs:
            self.slurs -= 1  # nothing stands in it
        elif self.last is None:
            self.told.assume("a slur ends where none began; left out", place)
        else:
            self.last.slur_ends += 1

    def mark(self, name: str) -> None:
        """Keep an ornament, an articulation or a bow mark for the next note."""
        self.marks.append(NAMES.get(name, name))

    # -- putting it down --------------------------------------------------------------------------------------------

    def _place(self, event: Event) -> Event:
        if self.tuplet_now is not None:
            p, q, left = self.tuplet_now
            event.length *= Fraction(q, p)
            event.tuplet = (p, q)
            self.tuplet_now = [p, q, left - 1] if left > 1 else None
        if self.broken and self.last is not None:
            if self.last.length == event.length:
                self.last.length *= _share(self.broken)
                event.length *= _share(-self.broken)
            else:
                sign = (">" if self.broken > 0 else "<") * abs(self.broken)
                self.told.assume(
                    f"{sign} between notes of unequal length; they are played as written", self.broken_place
                )
        self.broken = 0
        event.shift = self.shift
        if event.pitches:
            event.graces, self.graces = self.graces, ()
            event.slur_starts, self.slurs = self.slurs, 0
            if self.marks:
                event.bow = next((_BOWS[mark] for mark in reversed(self.marks) if mark in _BOWS), "")
                event.marks = tuple(dict.fromkeys(mark for mark in self.marks if mark not in _BOWS))
        self.marks.clear()
        self.last = event
        return event


@lru_cache(maxsize=1024)
def _pitch(letter: str, alter: int, octave: int) -> Pitch:
    return Pitch(letter, alter, octave)


def _share(broken: int) -> Fraction:
    """How much of its length a note keeps: 3/2, 7/4, 15/8 for the long one, 1/2, 1/4, 1/8 for the short one."""
    short = Fraction(1, 2 ** abs(broken))
    return 2 - short if broken > 0 else short
