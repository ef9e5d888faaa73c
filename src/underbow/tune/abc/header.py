"""What the information fields of a tune say, applied as they come: in the header, in the body, inline.

The fields that bear on sound are K: L: M: Q: P: V: U: and one I: or ``%%`` directive (ABC standard 2.1, sections 3 and 6.2).
"""

from __future__ import annotations

import re
from fractions import Fraction

from underbow.theory.key import Key
from underbow.theory.meter import Meter, Tempo
from underbow.tune.abc import fields
from underbow.tune.abc.notes import Accidentals, NoteReader
from underbow.tune.page.draft import Draft
from underbow.tune.page.told import Told

FREE_METER = Meter((4,), 4)


class FieldReader:
    """Keeps what a tune's fields have said so far."""

    def __init__(self, told: Told, accidentals: Accidentals) -> None:
        self.told = told
        self.notes = NoteReader(told, accidentals)
        self.texts: dict[str, list[str]] = {}
        self.key = Key.parse("C")
        self.meter: Meter | None = None
        self.unit: Fraction | None = None
        self.first_unit = Fraction(1, 2)  # in force where the body begins
        self.tempo: Tempo | None = None
        self.parts: tuple[str, ...] = ()
        self.first_voice: str | None = None
        self.silent = False  # inside another voice, or an overlay
        self.overlay = False
        self.in_body = False
        self.has_key = self.has_meter = self.written_unit = False
        self.measures: list[Draft] = []
        self.ending: tuple[int, ...] = ()
        self.notes.use_key(self.key)
        self.m = Draft(self.key, FREE_METER, 0)

    def begin_body(self, place: int) -> None:
        """Begin with the music: after K:, or where notes come without one."""
        self.in_body = True
        if not self.has_key:
            self.told.assume("no K: line before the notes; read as C major (write its key, such as K:D)", place)
        self._in_force()
        self.first_unit = self.notes.unit

    def close_measure(self) -> None:
        """End the measure in hand and begin the next one."""
        self.measures.append(self.m)
        self.m = Draft(self.key, self.meter or FREE_METER, 0, ending=self.ending)

    def _in_force(self) -> None:
        """Let the notes to come know what the fields say."""
        self.notes.use_key(self.key)
        self.notes.meter = self.meter
        self.notes.unit = self.unit if self.unit is not None else fields.default_unit(self.meter)
        if self.m.empty:
            self.m.key = self.key
            self.m.meter = self.meter or FREE_METER

    def directive(self, text: str, place: int) -> None:
        """Read a ``%%`` line: one of them bears on sound."""
        words = text.split()
        if len(words) > 1 and words[0] == "propagate-accidentals" and words[1] in ("pitch", "octave", "not"):
            self.notes.accidentals = words[1]  # type: ignore[assignment]
        elif words:
            self.told.pass_over(f"%%{words[0]} doesn't affect the melody", place)

    # -- fields -----------------------------------------------------------------------------------------------------

    def field(self, letter: str, value: str, begin: int, start: int) -> None:
        """Apply an information field, of a line or inline."""
        place = start + begin
        if letter in "TCRSONZBDFGHA":
            if letter == "R" or not (self.in_body and letter != "T"):
                self.texts.setdefault(letter, []).append(fields.plain_text(value))
        elif letter in "KMPVU":
            apply = {"K": self._key, "M": self._meter, "P": self._part, "V": self._voice, "U": self._user_mark}
            apply[letter](value, place)
        elif letter in "LQ":
            self._unit_or_tempo(letter, value, place)
        elif letter == "I":
            self.directive(value.strip(), place)
        elif letter == "m":
            self.told.assume("m: macros are ignored; the sign is read as written", place)
        elif letter == "X":
            self.texts.setdefault("X", []).append(value.strip())
        elif letter not in "wWrs+":
            self.told.pass_over(f"{letter}: isn't an ABC field", place)

    def _key(self, value: str, place: int) -> None:
        if self.silent:
            return
        found = fields.key_field(value, self.key)
        if found.odd:
            read = f"read as {found.key}" if found.key else "left out"
            self.told.assume(f"{found.odd!r} isn't a key or mode; {read}", place)
        if found.key is not None:
            self.key = found.key
            self.has_key = True
        if found.octaves or found.semitones or found.key is not None:
            self.notes.shift = (found.octaves, found.semitones)
        if self.in_body:
            self._in_force()
        else:
            self.has_key = True
            self.begin_body(place)

    def _meter(self, value: str, place: int) -> None:
        try:
            meter = fields.meter_field(value)
        except ValueError as fault:
            self.told.assume(f"{fault}; the meter before it stays", place)
            return
        if not self.silent:
            self.meter, self.has_meter = meter, True
            if self.in_body and self.unit is None:  # a later M: does not change L: (section 3.1.7)
                self.unit = self.notes.unit
            self._in_force()

    def _unit_or_tempo(self, letter: str, value: str, place: int) -> None:
        if self.silent:
            return
        try:
            if letter == "L":
                self.unit = fields.unit_field(value)
                self.written_unit = True
                self._in_force()
                return
            tempo = fields.tempo_field(value, self.unit if self.unit is not None else fields.default_unit(self.meter))
        except ValueError as fault:
            self.told.assume(f"{fault}; left out", place)
            return
        if tempo is not None:
            self.tempo = self.tempo or tempo
            self.m.tempo = tempo

    def _part(self, value: str, place: int) -> None:
        value = value.strip()
        if self.in_body:
            if not self.m.empty:
                self.close_measure()
            self.m.part = re.sub(r"[.\s]", "", value)[:20]
            return
        try:
            self.parts = fields.parts_field(value)
        except ValueError as fault:
            self.told.assume(f"{fault}; the tune is played as written", place)

    def _voice(self, value: str, place: int) -> None:
        name = (value.split() or [""])[0]
        if self.first_voice is None:
            self.first_voice = name
        if not self.in_body:
            return
        self.overlay = False
        self.silent = name != self.first_voice
        if self.silent:
            self.told.pass_over(f"voice {name} was left out: the first voice, {self.first_voice}, is the melody", place)

    def _user_mark(self, value: str, place: int) -> None:
        sign, equals, meaning = (part.strip() for part in value.partition("="))
        if equals and re.fullmatch(r"[H-Wh-w~]", sign):
            self.notes.user_marks[sign] = meaning.strip("!+") if meaning[:1] in "!+" else ""
        else:
            self.told.pass_over("U: line that can't be read", place)
