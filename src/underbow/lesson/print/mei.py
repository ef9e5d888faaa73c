"""A tune as MEI, the Music Encoding Initiative's open format (https://music-encoding.org, version 5).

One staff, with accidentals, beams, tuplets, ties, slurs, endings, chord symbols, words, bow marks and ornaments. Every note and
every measure has an identifier, ``n<measure>-<note>`` and ``m<measure>``, so that a page can mark the place that is sounding.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby
from xml.etree import ElementTree as Xml

from underbow.text import one_line, signs
from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.theory.pitch import LETTERS, Pitch
from underbow.theory.progression import ChordSpan
from underbow.tune.bars import is_pickup, printed_numbers
from underbow.tune.tune import Measure, Note, Tune

MEI = "http://www.music-encoding.org/ns/mei"
_VALUES = ["1", "2", "4", "8", "16", "32", "64", "128", "256"]  # parts of a whole note
_ACCIDENTALS = {-2: "ff", -1: "f", 0: "n", 1: "s", 2: "x"}
_ARTICULATIONS = {"staccato": "stacc", "accent": "acc", "tenuto": "ten", "marcato": "marc", "d": "dnbow", "u": "upbow"}
_SIGNS = {"roll": "turn", "turn": "turn", "trill": "trill", "mordent": "mordent", "fermata": "fermata"}


def to_mei(tune: Tune, only: Collection[int] | None = None, lines: Collection[int] = ()) -> str:
    """Write a tune as MEI 5, one staff, accidentals, beams, ties, slurs, endings and chord symbols included.

    Where ``only`` is given, the measures of these indexes, without the repeat signs and endings that make no sense there;
    numbers and identifiers stay the whole tune's. ``lines`` are the measures that a printed line begins with: where the chord
    goes on there, it is written again.
    """
    Xml.register_namespace("", MEI)
    mei = _element("mei", meiversion="5.0")
    about = _sub(_sub(_sub(mei, "meiHead"), "fileDesc"), "titleStmt")
    _sub(about, "title").text = one_line(tune.title)
    score = mei
    for name in ("music", "body", "mdiv", "score"):
        score = _sub(score, name)
    first = tune.measures[min(only)] if only else tune
    opening = _sub(score, "scoreDef", **_signature(first.key), **_time(first.meter, tune.free))
    group = _sub(opening, "staffGrp")
    _sub(group, "staffDef", n="1", lines="5", **{"clef.shape": "G", "clef.line": "2"})
    _Writer(tune, _sub(score, "section"), only, lines).write()
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + Xml.tostring(mei, encoding="unicode")


class _Writer:
    """Walks the measures once, keeping what runs over bar lines: key, meter, chord, open ties and slurs."""

    def __init__(self, tune: Tune, section: Xml.Element, only: Collection[int] | None, lines: Collection[int]) -> None:
        self.tune = tune
        self.only = range(len(tune.measures)) if only is None else sorted(only)
        self.cut = only is not None
        self.section = section
        first = tune.measures[self.only[0]] if self.cut else tune
        self.key, self.meter = first.key, first.meter
        self.ties: dict[int, tuple[_Bar, str]] = {}  # MIDI number -> the note that is tied on
        self.slurs: list[tuple[_Bar, str]] = []
        self.sung: dict[int, Xml.Element] = {}  # verse -> its last syllable
        self.numbers = printed_numbers(tune)
        self.lines = lines
        self.sounding: ChordSpan | None = None
        self.due = False  # a line has begun, and no chord is written over its first full measure yet

    def write(self) -> None:
        home: Xml.Element = self.section
        ending: tuple[int, ...] = ()
        for index in self.only:
            measure = self.tune.measures[index]
            if self.cut:
                measure = replace(measure, repeat_start=0, repeat_end=0, ending=(), ending_start=False)
            if measure.ending_start or measure.ending != ending:
                ending = measure.ending
                home = self.section
                if ending:
                    home = _sub(self.section, "ending", n=", ".join(map(str, ending)))
            if index != self.only[0] and (measure.key, measure.meter) != (self.key, self.meter):
                change = _sub(home, "scoreDef")
                if measure.key != self.key:
                    change.attrib.update(_signature(measure.key))
                if measure.meter != self.meter:
                    change.attrib.update(_time(measure.meter, self.tune.free))
                self.key, self.meter = measure.key, measure.meter
            self._measure(home, index, measure)
            if measure.new_line and index != self.only[-1]:
                _sub(home, "sb")

    def _measure(self, home: Xml.Element, index: int, measure: Measure) -> None:
        full = measure.length >= measure.meter.bar
        bar = _sub(
            home,
            "measure",
            n=str(self.numbers[index]),
            **{"xml:id": f"m{index}", "metcon": "true" if full else "false"},
        )
        if measure.repeat_start:
            bar.set("left", "rptstart")
        if measure.repeat_end:
            bar.set("right", "rptend")
        elif measure.final or index == self.only[-1]:
            bar.set("right", {"||": "dbl"}.get(measure.final, "end"))
        layer = _sub(_sub(bar, "staff", n="1"), "layer", n="1")
        held = _Bar(bar, index, self.key)
        pickup = is_pickup(self.tune, index, index - 1 if index else None)
        for piece in _pieces(measure, pickup):
            parent = layer
            if len(piece) > 1 and all(item.beamed for item in piece):
                parent = _sub(layer, "beam")
            for tuplet, items in groupby(piece, key=lambda item: item.tuplet):
                place = parent
                if tuplet:
                    place = _sub(
                        parent, "tuplet", num=str(tuplet[0]), numbase=str(tuplet[1]), **{"bracket.visible": "false"}
                    )
                for item in items:
                    self._item(place, item, held)
        for span in self._chords(index, measure, pickup=pickup):
            text = "N.C." if span.chord is None else signs(str(span.chord)) + "?" * span.doubtful
            stamp = 1 + span.start * self.meter.unit / 4
            mark = _sub(bar, "harm", staff="1", place="above", tstamp=f"{float(stamp):g}")
            mark.text = text

    def _chords(self, index: int, measure: Measure, *, pickup: bool) -> tuple[ChordSpan, ...]:
        """Give the chords that are written over a measure; where a line begins, the one that goes on as well."""
        self.due |= index in self.lines
        written = measure.chords
        if self.due and (measure.ending_start or not pickup):
            self.due = False
            if self.sounding is not None and (not written or written[0].start > 0):
                written = (replace(self.sounding, start=Fraction(0)), *written)
        if measure.chords:
            last = measure.chords[-1]
            self.sounding = last if last.chord is not None else None
        return written

    def _item(self, parent: Xml.Element, item: _Item, bar: _Bar) -> None:
        value = {"dur": item.value, **({"dots": str(item.dots)} if item.dots else {})}
        note = item.note
        if note is None:
            _sub(parent, "rest", **value)
            return
        name = f"n{bar.index}-{item.number}" + (f"-{item.part}" if item.part else "")
        if item.first and note.graces:
            graces = _sub(parent, "graceGrp")
            short = "16" if len(note.graces) > 1 else "8"
            for grace in note.graces:
                _sub(graces, "note", grace="unacc", dur=short, **bar.pitch(grace))
        held = note.midi in self.ties  # a tied note shows no sign again
        if note.under:
            target = _sub(parent, "chord", **value, **{"xml:id": name})
            for pitch in note.under:
                _sub(target, "note", **bar.pitch(pitch))
            _sub(target, "note", **bar.pitch(note.pitch, quiet=held), **{"xml:id": f"{name}-top"})
        else:
            target = _sub(parent, "note", **value, **{"xml:id": name}, **bar.pitch(note.pitch, quiet=held))
        if held:  # a line belongs to the measure that it starts in
            begun, start = self.ties.pop(note.midi)
            begun.line("tie", start, name)
        if item.first:
            self._signs(target, note, name, bar)
            self._words(target, note)
        if note.tied or not item.last:
            self.ties[note.midi] = (bar, name)
        if item.last:
            self._slur(note, name, bar)

    def _words(self, target: Xml.Element, note: Note) -> None:
        """Write the syllables of all verses; a held one gets its line from the note that holds it."""
        for verse, text in enumerate(note.words, start=1):
            before = self.sung.get(verse)
            inside = before is not None and before.get("con") == "d"
            if text == "_":
                if before is not None and not inside:
                    before.set("con", "u")
            elif text:
                goes_on = text.endswith("-") and len(text) > 1
                place = ("m" if inside else "i") if goes_on else "t" if inside else "s"
                syllable = _sub(_sub(target, "verse", n=str(verse)), "syl", wordpos=place)
                syllable.text = text[:-1] if goes_on else text
                if goes_on:
                    syllable.set("con", "d")
                self.sung[verse] = syllable

    @staticmethod
    def _signs(target: Xml.Element, note: Note, name: str, bar: _Bar) -> None:
        words = [_ARTICULATIONS[mark] for mark in (*note.marks, note.bow) if mark in _ARTICULATIONS]
        if words:
            _sub(target, "artic", artic=" ".join(words), place="above")
        for sign in dict.fromkeys(_SIGNS[mark] for mark in note.marks if mark in _SIGNS):
            bar.element.append(_element(sign, startid=f"#{name}", staff="1", place="above"))

    def _slur(self, note: Note, name: str, bar: _Bar) -> None:
        for _ in range(min(note.slur_ends, len(self.slurs))):
            begun, start = self.slurs.pop()
            if start != name:
                begun.line("slur", start, name)
        self.slurs += [(bar, name)] * note.slur_starts


class _Bar:
    """What holds within one measure: its element, which takes lines and signs after the staff, and the accidentals so far."""

    def __init__(self, element: Xml.Element, index: int, key: Key) -> None:
        self.element = element
        self.index = index
        self._signature = {letter: key.alteration(letter) for letter in LETTERS}
        self._carried: dict[tuple[str, int], int] = {}

    def pitch(self, pitch: Pitch, *, quiet: bool = False) -> dict[str, str]:
        """Name, octave and accidental; the sign is drawn where the signature and the bar so far don't give it already."""
        place = (pitch.letter, pitch.octave)
        out = {"pname": pitch.letter.lower(), "oct": str(pitch.octave)}
        if pitch.alter != self._carried.get(place, self._signature[pitch.letter]) and not quiet:
            out["accid"] = _ACCIDENTALS[pitch.alter]
            self._carried[place] = pitch.alter
        elif pitch.alter:
            out["accid.ges"] = _ACCIDENTALS[pitch.alter]
        return out

    def line(self, kind: str, start: str, end: str) -> None:
        """Draw a tie or a slur from one note to another."""
        self.element.append(_element(kind, startid=f"#{start}", endid=f"#{end}"))


@dataclass(frozen=True, slots=True)
class _Item:
    """One written note or rest: a value with dots; a long note may need several, tied."""

    start: Fraction
    value: str
    dots: int
    note: Note | None
    number: int
    part: int = 0
    first: bool = True
    last: bool = True

    @property
    def tuplet(self) -> tuple[int, int] | None:
        return self.note.tuplet if self.note else None

    @property
    def beamed(self) -> bool:
        return self.note is not None and int(self.value) >= 8


def _pieces(measure: Measure, pickup: bool) -> Iterator[list[_Item]]:
    """Cut a measure into what is drawn together: the beams of a beat (of a half bar in 4/4), tuplets kept whole."""
    items = list(_items(measure))
    # a pickup counts from its end: its beats are those before the bar line
    shift = measure.meter.bar - measure.length if pickup else Fraction(0)
    window = _beam_window(measure.meter)

    def group(item: _Item) -> tuple[object, ...]:
        return ((item.start + shift) // window, item.beamed or item.tuplet is not None)

    for (_, together), run in groupby(items, key=group):
        found = list(run)
        if together and len(found) > 1 and all(item.beamed for item in found):
            yield found
        else:
            for tuplet, inner in groupby(found, key=lambda item: item.tuplet):
                alike = list(inner)
                yield from [alike] if tuplet else [[item] for item in alike]


def _beam_window(meter: Meter) -> Fraction:
    if meter.compound:
        return meter.beat
    if meter.bar in (4, 2) and len(meter.groups) == 1:
        return Fraction(2) if meter.bar == 4 else Fraction(1)
    return Fraction(1)


def _items(measure: Measure) -> Iterator[_Item]:
    place = Fraction(0)
    for number, note in enumerate(measure.notes):
        if note.start > place:
            yield from _rests(place, note.start - place)
        written = note.length * (Fraction(*note.tuplet) if note.tuplet else 1)
        parts = list(_written(written))
        where = note.start
        for i, (value, dots, length) in enumerate(parts):
            yield _Item(where, value, dots, note, number, i, i == 0, i == len(parts) - 1)
            where += length
        place = note.start + note.length
    if place < measure.length:
        yield from _rests(place, measure.length - place)


def _rests(place: Fraction, length: Fraction) -> Iterator[_Item]:
    for value, dots, part in _written(length):
        yield _Item(place, value, dots, None, -1)
        place += part


def _written(length: Fraction) -> Iterator[tuple[str, int, Fraction]]:
    """Split a length (quarters) into note values with up to two dots, longest first.

    >>> [(value, dots) for value, dots, _ in _written(Fraction(5, 2))]
    [('2', 0), ('8', 0)]
    """
    while length > 0:
        for value in _VALUES:
            plain = Fraction(4, int(value))
            fit = next((d for d in (2, 1, 0) if plain * (2 - Fraction(1, 2**d)) <= length), None)
            if fit is not None:
                exact = plain * (2 - Fraction(1, 2**fit))
                if fit and exact != length:  # dots only where they finish the length
                    fit, exact = 0, plain
                yield value, fit, exact
                length -= exact
                break
        else:
            return  # shorter than a 256th: nothing to draw


def _signature(key: Key) -> dict[str, str]:
    count = key.signature
    return {"keysig": "0" if count == 0 else f"{abs(count)}{'s' if count > 0 else 'f'}"}


def _time(meter: Meter, free: bool) -> dict[str, str]:
    if free:
        return {"meter.form": "invis", "meter.count": "+".join(map(str, meter.groups)), "meter.unit": str(meter.unit)}
    out = {"meter.count": "+".join(map(str, meter.groups)), "meter.unit": str(meter.unit)}
    if meter.sign:
        out |= {"meter.count": "4" if meter.sign == "C" else "2", "meter.sym": "common" if meter.sign == "C" else "cut"}
    return out


def _element(name: str, **attributes: str) -> Xml.Element:
    return Xml.Element(f"{{{MEI}}}{name}", attributes)


def _sub(parent: Xml.Element, name: str, **attributes: str) -> Xml.Element:
    child = _element(name, **attributes)
    parent.append(child)
    return child
