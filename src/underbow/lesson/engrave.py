"""The tune on a staff: our model written as MEI, drawn by verovio.

MEI is the Music Encoding Initiative's open format, https://music-encoding.org. Verovio's own readers of other formats are not used:
what is drawn is exactly what our model holds. Every note and every measure keeps an identifier, ``n<measure>-<note>``
and ``m<measure>``, so that a page can mark the place that is sounding.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby
from xml.etree import ElementTree as Xml

from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.theory.pitch import Pitch
from underbow.tune.tune import Measure, Note, Tune

MEI = "http://www.music-encoding.org/ns/mei"
_VALUES = ["1", "2", "4", "8", "16", "32", "64", "128", "256"]  # parts of a whole note
_ACCIDENTALS = {-2: "ff", -1: "f", 0: "n", 1: "s", 2: "x"}
_ARTICULATIONS = {"staccato": "stacc", "accent": "acc", "tenuto": "ten", "marcato": "marc", "d": "dnbow", "u": "upbow"}
_SIGNS = {"roll": "turn", "turn": "turn", "trill": "trill", "mordent": "mordent", "fermata": "fermata"}


@dataclass(frozen=True, slots=True)
class Engraving:
    """A drawn tune: its pages as SVG, at a width of so many pixels."""

    pages: tuple[str, ...]
    width: int


def engrave(tune: Tune, *, width: int = 1000, height: int | None = None, scale: int = 40) -> Engraving:
    """Draw a tune.

    Parameters
    ----------
    tune : Tune
    width : int
        Of the page, in pixels at the scale given.
    height : int or None
        Of a page, in pixels; None for one page as high as the tune needs.
    scale : int
        Percent; 40 gives a staff about 14 pixels high.

    Returns
    -------
    Engraving
        The same bytes for the same tune.
    """
    import verovio  # noqa: PLC0415  43 ms that only a hand-out needs

    verovio.enableLog(verovio.LOG_OFF)
    kit = verovio.toolkit()
    kit.setOptions(
        {
            "scale": scale,
            "pageWidth": width * 100 // scale,
            "pageHeight": (height * 100 // scale) if height else 60_000,
            "adjustPageHeight": height is None,
            "breaks": "auto" if not any(measure.new_line for measure in tune.measures) else "line",
            "header": "none",
            "footer": "none",
            "svgViewBox": True,
            "svgRemoveXlink": True,
            "xmlIdSeed": 1,
            "pageMarginLeft": 60,
            "pageMarginRight": 20,
            "pageMarginTop": 20,
            "pageMarginBottom": 20,
            "mnumInterval": 0,
            "spacingStaff": 4,
            "spacingSystem": 6,
            "lyricSize": 4.5,
        }
    )
    if not kit.loadData(to_mei(tune)):
        raise ValueError("verovio could not read our MEI")
    pages = tuple(_plain_signs(kit.renderToSVG(page)) for page in range(1, kit.getPageCount() + 1))
    return Engraving(pages, width)


def to_mei(tune: Tune) -> str:
    """Write a tune as MEI 5, one staff, accidentals, beams, ties, slurs, endings and chord symbols included."""
    Xml.register_namespace("", MEI)
    mei = Xml.Element(f"{{{MEI}}}mei", {"meiversion": "5.0"})
    score = mei
    for name in ("music", "body", "mdiv", "score"):
        score = _sub(score, name)
    opening = _sub(score, "scoreDef", **_signature(tune.key), **_time(tune.meter, tune.free))
    group = _sub(opening, "staffGrp")
    _sub(group, "staffDef", n="1", lines="5", **{"clef.shape": "G", "clef.line": "2"})
    _Writer(tune, _sub(score, "section")).write()
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + Xml.tostring(mei, encoding="unicode")


class _Writer:
    """Walks the measures once, keeping what runs over bar lines: key, meter, open ties and slurs."""

    def __init__(self, tune: Tune, section: Xml.Element) -> None:
        self.tune = tune
        self.section = section
        self.key, self.meter = tune.key, tune.meter
        self.ties: dict[int, str] = {}  # MIDI number -> id of the note that is tied on
        self.slurs: list[str] = []
        self.number = 0

    def write(self) -> None:
        home: Xml.Element = self.section
        ending: tuple[int, ...] = ()
        for index, measure in enumerate(self.tune.measures):
            if measure.ending_start or measure.ending != ending:
                ending = measure.ending
                home = self.section
                if ending:
                    home = _sub(self.section, "ending", n=", ".join(map(str, ending)))
            if index and (measure.key, measure.meter) != (self.key, self.meter):
                change = _sub(home, "scoreDef")
                if measure.key != self.key:
                    change.attrib.update(_signature(measure.key))
                if measure.meter != self.meter:
                    change.attrib.update(_time(measure.meter, self.tune.free))
                self.key, self.meter = measure.key, measure.meter
            self._measure(home, index, measure)
            if measure.new_line and index + 1 < len(self.tune.measures):
                _sub(home, "sb")

    def _measure(self, home: Xml.Element, index: int, measure: Measure) -> None:
        full = measure.length >= measure.meter.bar
        self.number += full or index > 0
        bar = _sub(home, "measure", n=str(self.number), **{"xml:id": f"m{index}", "metcon": "true" if full else "false"})
        if measure.repeat_start:
            bar.set("left", "rptstart")
        following = self.tune.measures[index + 1] if index + 1 < len(self.tune.measures) else None
        if measure.repeat_end:
            bar.set("right", "rptend")
        elif measure.final or following is None:
            bar.set("right", {"||": "dbl"}.get(measure.final, "end"))
        layer = _sub(_sub(bar, "staff", n="1"), "layer", n="1")
        after: list[Xml.Element] = []  # ties, slurs, signs: they follow the staff
        state = {letter: self.key.alteration(letter) for letter in "ABCDEFG"}
        carried: dict[tuple[str, int], int] = {}
        for piece in _pieces(measure):
            parent = layer
            if len(piece) > 1 and all(item.beamed for item in piece):
                parent = _sub(layer, "beam")
            for tuplet, items in groupby(piece, key=lambda item: item.tuplet):
                place = parent
                if tuplet:
                    place = _sub(parent, "tuplet", num=str(tuplet[0]), numbase=str(tuplet[1]), **{"bracket.visible": "false"})
                for item in items:
                    self._item(place, index, item, state, carried, after)
        for span in measure.chords:
            text = "N.C." if span.chord is None else str(span.chord)
            stamp = 1 + span.start * self.meter.unit / 4
            mark = _sub(bar, "harm", staff="1", place="above", tstamp=f"{float(stamp):g}")
            mark.text = text
        bar.extend(after)

    def _item(
        self,
        parent: Xml.Element,
        index: int,
        item: _Item,
        state: dict[str, int],
        carried: dict[tuple[str, int], int],
        after: list[Xml.Element],
    ) -> None:
        value = {"dur": item.value, **({"dots": str(item.dots)} if item.dots else {})}
        if item.note is None:
            _sub(parent, "rest", **value)
            return
        note, name = item.note, f"n{index}-{item.number}" + (f"-{item.part}" if item.part else "")
        if item.first and note.graces:
            graces = _sub(parent, "graceGrp")
            for grace in note.graces:
                _sub(graces, "note", grace="unacc", dur="16" if len(note.graces) > 1 else "8",
                     **_pitch(grace, state, carried))  # fmt: skip
        pitches = (*note.under, note.pitch)
        home = _sub(parent, "chord", **value, **{"xml:id": name}) if len(pitches) > 1 else parent
        for pitch in pitches:
            own = {} if len(pitches) > 1 else {**value, "xml:id": name}
            kept = note.pitch.midi in self.ties and pitch == note.pitch
            element = _sub(home, "note", **own, **_pitch(pitch, state, carried, quiet=kept))
            if len(pitches) > 1 and pitch == note.pitch:
                element.set("xml:id", f"{name}-top")
        target = parent[-1]
        if item.first:
            words = [_ARTICULATIONS[mark] for mark in (*note.marks, note.bow) if mark in _ARTICULATIONS]
            if words:
                _sub(target, "artic", artic=" ".join(words), place="above")
            for mark in dict.fromkeys(_SIGNS[mark] for mark in note.marks if mark in _SIGNS):
                after.append(Xml.Element(f"{{{MEI}}}{mark}", {"startid": f"#{name}", "staff": "1", "place": "above"}))
        if note.midi in self.ties:
            start = self.ties.pop(note.midi)
            after.append(Xml.Element(f"{{{MEI}}}tie", {"startid": f"#{start}", "endid": f"#{name}"}))
        if item.last:
            if note.tied:
                self.ties[note.midi] = name
            self._slur(note, name, after)
        else:
            self.ties[note.midi] = name

    def _slur(self, note: Note, name: str, after: list[Xml.Element]) -> None:
        for _ in range(min(note.slur_ends, len(self.slurs))):
            start = self.slurs.pop()
            if start != name:
                after.append(Xml.Element(f"{{{MEI}}}slur", {"startid": f"#{start}", "endid": f"#{name}"}))
        self.slurs += [name] * note.slur_starts


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


def _pieces(measure: Measure) -> Iterator[list[_Item]]:
    """Cut a measure into what is drawn together: the beams of a beat (of a half bar in 4/4), tuplets kept whole."""
    items = list(_items(measure))
    # a short measure at a start counts from its end: a pickup's beats are those before the bar line
    shift = measure.meter.bar - measure.length if _is_pickup(measure) else Fraction(0)
    window = _beam_window(measure.meter)

    def group(item: _Item) -> tuple[object, ...]:
        at = item.start + shift
        return (at // window, item.beamed or item.tuplet is not None)

    for (_, together), run in groupby(items, key=group):
        found = list(run)
        if together and len(found) > 1 and all(item.beamed for item in found):
            yield found
        else:
            for tuplet, inner in groupby(found, key=lambda item: item.tuplet):
                yield from [list(inner)] if tuplet else [[item] for item in inner]


def _is_pickup(measure: Measure) -> bool:
    return measure.length < measure.meter.bar and not measure.repeat_end and not measure.final


def _beam_window(meter: Meter) -> Fraction:
    if meter.compound:
        return meter.beat
    if meter.bar in (4, 2) and len(meter.groups) == 1:
        return Fraction(2) if meter.bar == 4 else Fraction(1)
    return Fraction(1)


def _items(measure: Measure) -> Iterator[_Item]:
    at = Fraction(0)
    for number, note in enumerate(measure.notes):
        if note.start > at:
            yield from _rests(at, note.start - at)
        written = note.length * (Fraction(*note.tuplet) if note.tuplet else 1)
        parts = list(_written(written))
        where = note.start
        for i, (value, dots, length) in enumerate(parts):
            yield _Item(where, value, dots, note, number, i, i == 0, i == len(parts) - 1)
            where += length
        at = note.start + note.length
    if at < measure.length:
        yield from _rests(at, measure.length - at)


def _rests(at: Fraction, length: Fraction) -> Iterator[_Item]:
    for value, dots, part in _written(length):
        yield _Item(at, value, dots, None, -1)
        at += part


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


def _pitch(
    pitch: Pitch, state: dict[str, int], carried: dict[tuple[str, int], int], *, quiet: bool = False
) -> dict[str, str]:
    """Name, octave and accidental; the sign is drawn where the signature and the bar so far don't give it already."""
    now = carried.get((pitch.letter, pitch.octave), state[pitch.letter])
    out = {"pname": pitch.letter.lower(), "oct": str(pitch.octave)}
    if pitch.alter != now and not quiet:
        out["accid"] = _ACCIDENTALS[pitch.alter]
        carried[pitch.letter, pitch.octave] = pitch.alter
    elif pitch.alter:
        out["accid.ges"] = _ACCIDENTALS[pitch.alter]
    return out


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


def _sub(parent: Xml.Element, name: str, **attributes: str) -> Xml.Element:
    return Xml.SubElement(parent, f"{{{MEI}}}{name}", attributes)


def _plain_signs(svg: str) -> str:
    """Put Unicode's flat and sharp in place of the private characters of verovio's text font, which no other font has."""
    return re.sub("[\uea64\ued60]", "♭", re.sub("[\uea66\ued62]", "♯", svg))
