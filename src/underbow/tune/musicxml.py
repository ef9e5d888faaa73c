"""Melodies from MusicXML, plain or packed (.mxl), through music21: an optional extra, ``pip install underbow[musicxml]``.

The first part with notes is the melody, and of several voices in it the first. Repeats, endings and words such as D.C. are
resolved by the same rules as those of ABC.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import PurePath
from typing import Any

from underbow.errors import Fault, InputError, UnderbowError
from underbow.text import one_line
from underbow.theory.chord import Chord
from underbow.theory.key import MODES, Key
from underbow.theory.meter import Meter, Tempo
from underbow.theory.pitch import Pitch, PitchClass
from underbow.tune.page.draft import Draft, Event
from underbow.tune.page.repeats import TooManyMeasuresError, order_of
from underbow.tune.page.sections import name_sections
from underbow.tune.tune import MOST_VERSES, Tune

MOST_BYTES = 8_000_000  # after unpacking
MOST_NOTES = 20_000  # of all parts; as many other things that are made of the file
MOST_ELEMENTS = 500_000
MOST_MEASURES = 2_000  # of a part: music21's time goes by the square of them
MOST_BEATS = 64  # in a bar; here too
MOST_QUARTERS = 256  # in a measure, whatever its meter: 64 whole notes
MOST_ENDING = 99  # the number of one; music21 and we count up to it
_ONE_PART = "save the melody's part alone"
_ENCODING = re.compile(rb"<\?xml[^>]*?encoding\s*=\s*([\"'])([\w.-]+)\1")
_OBJECT = re.compile(r"<(?:measure|harmony|direction|attributes|barline|sound|figured-bass|part|score-part)\b")
_NUMBER = re.compile(r"\bnumber\s*=\s*[\"']([^\"']*)")
_BOWS = {"UpBow": "u", "DownBow": "d"}
_MARKS = {"Staccato": "staccato", "Accent": "accent", "Fermata": "fermata", "Trill": "trill", "Turn": "turn",
          "Mordent": "mordent", "InvertedMordent": "upper mordent", "Tenuto": "tenuto"}  # fmt: skip
_JUMPS = {"Segno": "segno", "Coda": "coda", "Fine": "fine", "DaCapo": "D.C.", "DaCapoAlFine": "D.C.", "DalSegno": "D.S.",
          "DalSegnoAlFine": "D.S.", "DaCapoAlCoda": "D.C. al coda", "DalSegnoAlCoda": "D.S. al coda"}  # fmt: skip


def read_musicxml(data: bytes, *, file: str = "", part: str | None = None, strict: bool = False) -> Tune:
    """Read the melody of a MusicXML file.

    Parameters
    ----------
    data : bytes
    file : str
        Its name, for what is told and for the title where the file has none.
    part : str or None
        Name of the part, or a piece of it; by default the first one with notes.
    strict : bool
        Whether what would be assumed is an error.

    Raises
    ------
    InputError
        Where it is no such file, has no notes, or no such part.
    UnderbowError
        Where music21 is not installed.
    """
    remarks: list[Fault] = []
    score = _score(_text(data, file), file)
    with _reading(file):
        chosen = _part(score, part, file, remarks)
        drafts = _drafts(chosen, remarks, file)
    name_sections(drafts)
    try:
        order = order_of(drafts, (), lambda what, place: remarks.append(Fault(what, file, where=f"measure {place}")))
    except TooManyMeasuresError:
        raise InputError(Fault("too many bars when its repeats are written out; write fewer repeats", file)) from None
    if strict and remarks:
        raise InputError(*remarks)
    measures = tuple(draft.frozen() for draft in drafts)
    meta = score.metadata
    title = (meta and (meta.title or meta.movementName)) or PurePath(file).stem
    return Tune(
        title=str(title),
        key=measures[0].key,
        meter=measures[0].meter,
        measures=measures,
        order=tuple(order),
        tempo=next((measure.tempo for measure in measures if measure.tempo), None),
        composer=str((meta and meta.composer) or ""),
        told=tuple(remarks),
    )


def _text(data: bytes, file: str) -> str:
    """Unpack a .mxl archive in memory, its container naming the score, and decode the score as it says that it is written."""
    if data[:4] == b"PK\x03\x04":
        data = _unpacked(data, file)
    if len(data) > MOST_BYTES:
        raise InputError(Fault(f"the score is larger than {MOST_BYTES // 1_000_000} MB; {_ONE_PART}", file))
    for mark, encoding in ((b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"), (b"\xef\xbb\xbf", "utf-8-sig")):
        if data.startswith(mark):
            text = data.decode(encoding, errors="replace")
            break
    else:
        said = _ENCODING.search(data[:200])
        try:
            text = data.decode(said[2].decode() if said else "utf-8", errors="replace")
        except LookupError:  # no such encoding
            text = data.decode("utf-8", errors="replace")
    head, rest = text[:200], text[200:]
    return re.sub(r"(<\?xml[^>]*?)\s+encoding\s*=\s*([\"'])[^\"']*\2", r"\1", head) + rest


def _unpacked(data: bytes, file: str) -> bytes:
    what = "the archive holds no score"
    with _reading(file, "an archive"), zipfile.ZipFile(io.BytesIO(data)) as archive:
        inner = next(
            (n for n in archive.namelist() if n.endswith((".xml", ".musicxml")) and not n.startswith("META-INF")), None
        )
        if inner is not None:
            if archive.getinfo(inner).file_size <= MOST_BYTES:
                return archive.read(inner)  # never more than its stated size, whatever is packed
            what = f"the score in it is larger than {MOST_BYTES // 1_000_000} MB; {_ONE_PART}"
    raise InputError(Fault(what, file))


def _check_size(text: str, file: str) -> None:
    """Count before music21 reads: it takes a thousandth of a second a note, and packed files hold a note a byte."""
    counts = (
        (max(map(_beats, text.split("<beats")[1:]), default=0), MOST_BEATS, "beats in a bar"),
        (max(map(_ending, text.split("<ending")[1:]), default=0), MOST_ENDING, "as an ending's number"),
        (max(part.count("<measure") for part in text.split("<part ")), MOST_MEASURES, "measures"),
        (text.count("<note"), MOST_NOTES, "notes"),
        (len(_OBJECT.findall(text)), MOST_NOTES, "measures, chord symbols and directions"),
        (text.count("<") - text.count("</"), MOST_ELEMENTS, "elements"),
    )
    for count, most, what in counts:
        if count > most:
            raise InputError(Fault(f"{count} {what}, the maximum is {most}; {_ONE_PART}", file))


def _beats(written: str) -> int:
    """Add up beats such as ``3+2``, up to where their element ends; digits beyond the tenth change nothing.

    >>> _beats(">3+2</beats><duration>4"), _beats(">9<!-- -->9</beats>"), _beats(">x")
    (5, 99, 0)
    """
    inside = written.partition("</beats")[0].partition(">")[2]
    return sum(int(digits[:10]) for digits in re.findall("[0-9]+", re.sub("<[^<>]*>", "", inside)))


def _ending(written: str) -> int:
    """Give the highest of an ending's numbers, up to where the next element begins; references could be any number.

    >>> _ending(' number="1, 2" type="start"/><x number="300"'), _ending(" number='1-400'"), _ending(' number="&#57;"')
    (2, 400, 100)
    """
    found = _NUMBER.search(written.partition("<")[0])
    if found is None:
        return 0
    if "&" in found[1]:
        return MOST_ENDING + 1
    return max((int(digits[:10]) for digits in re.findall("[0-9]+", found[1])), default=0)


def _score(text: str, file: str) -> Any:
    try:
        from music21 import converter, musicxml  # noqa: F401, PLC0415  large, and an optional extra
    except ImportError:
        raise UnderbowError(
            f"{file}: MusicXML needs music21; install it with: pip install underbow[musicxml]"
        ) from None
    import warnings  # noqa: PLC0415

    if "<!ENTITY" in text:
        raise InputError(Fault("defines entities, which a score does not need; not read", file))
    _check_size(text, file)
    with _reading(file), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return converter.parseData(text, format="musicxml")


@contextmanager
def _reading(file: str, what: str = "a MusicXML score") -> Iterator[None]:
    """Tell what a library raises, which of a damaged file can be anything, in one line."""
    try:
        yield
    except (UnderbowError, MemoryError):
        raise
    except Exception as fault:
        why = str(fault).splitlines()[0][:200] if str(fault) else type(fault).__name__
        raise InputError(Fault(f"not {what} that can be read: {why}", file)) from None


def _part(score: Any, name: str | None, file: str, remarks: list[Fault]) -> Any:
    parts = [part for part in getattr(score, "parts", ()) if part.recurse().notes]
    if not parts:
        raise InputError(Fault("no notes in it", file))
    names = [str(part.partName or "(no name)") for part in parts]
    if name is not None:
        found = [part for part, its in zip(parts, names, strict=True) if name.casefold() in its.casefold()]
        if not found:
            raise InputError(Fault(f"no part is called {name!r}; there are {', '.join(names)}", file))
        return found[0]
    if len(parts) > 1:
        remarks.append(Fault(f"of the parts {', '.join(names)}, the first was used", file))
    return parts[0]


def _drafts(part: Any, remarks: list[Fault], file: str) -> list[Draft]:
    from music21 import spanner  # noqa: PLC0415

    key, meter = Key.parse("C"), Meter((4,), 4)
    brackets = {}
    for bracket in part.recurse().getElementsByClass(spanner.RepeatBracket):
        inside = bracket.getSpannedElements()
        numbers = tuple(int(n) for n in re.findall(r"\d+", str(bracket.number)))
        for n, measure in enumerate(inside):
            brackets[id(measure)] = (numbers or (1,), n == 0)
    slurs = _slurs(part)
    drafts: list[Draft] = []
    for number, measure in enumerate(part.getElementsByClass("Measure"), start=1):
        if measure.keySignature is not None:
            key = _key(measure.keySignature)
        if measure.timeSignature is not None:
            meter = _meter(measure.timeSignature, meter, remarks, file)
        draft = Draft(key, meter, number)
        draft.ending, draft.ending_start = brackets.get(id(measure), ((), False))
        _bar_lines(draft, measure)
        _fill(draft, measure, slurs, file)
        for mark in measure.recurse().getElementsByClass("MetronomeMark"):
            beat = Fraction(mark.referent.quarterLength).limit_denominator(64)
            count = Fraction(mark.number or 0).limit_denominator(100)
            if count > 0 and beat > 0:
                draft.tempo = draft.tempo or Tempo(count, beat)
        if draft.events:
            drafts.append(draft)
    if not drafts:
        raise InputError(Fault("no notes in it", file))
    return drafts


def _slurs(part: Any) -> dict[int, tuple[int, int]]:
    """How many slurs begin and end at each note."""
    out: dict[int, tuple[int, int]] = {}
    for slur in part.recurse().getElementsByClass("Slur"):
        first, last = slur.getFirst(), slur.getLast()
        if first is None or first is last:
            continue
        begun, ended = out.get(id(first), (0, 0))
        out[id(first)] = (begun + 1, ended)
        begun, ended = out.get(id(last), (0, 0))
        out[id(last)] = (begun, ended + 1)
    return out


def _key(signature: Any) -> Key:
    mode = getattr(signature, "mode", "major") or "major"
    sharps = max(-7, min(7, int(signature.sharps or 0)))
    mode = mode if mode in MODES else "major"
    return Key(PitchClass.at_fifths(sharps - MODES[mode]), mode)


def _meter(signature: Any, before: Meter, remarks: list[Fault], file: str) -> Meter:
    try:
        if signature.symbol == "cut":
            return Meter.parse("C|")
        if signature.symbol == "common":
            return Meter.parse("C")
        return Meter.parse(re.sub(r"/(\d+)\+(?=[\d+/]*/\1$)", "+", str(signature.ratioString)))  # 3/8+2/8 is 3+2/8
    except ValueError as fault:
        remarks.append(Fault(f"{fault}; the meter before it stays", file))
        return before


def _bar_lines(draft: Draft, measure: Any) -> None:
    left, right = measure.leftBarline, measure.rightBarline
    if left is not None and getattr(left, "direction", "") == "start":
        draft.repeat_start = 1
    if right is not None and getattr(right, "direction", "") == "end":
        draft.repeat_end = max(int(right.times or 2) - 1, 1)
    elif right is not None and right.type in ("double", "final", "light-light", "light-heavy"):
        draft.final = "|]" if right.type in ("final", "light-heavy") else "||"


def _fill(draft: Draft, measure: Any, slurs: dict[int, tuple[int, int]], file: str) -> None:
    """Put the notes, rests, chord symbols and words of a measure down."""
    line = next(iter(measure.voices), measure)
    now = Fraction(0)
    graces: list[Pitch] = []
    symbols = sorted(((_exact(s.offset), s) for s in measure.getElementsByClass("Harmony")), key=lambda pair: pair[0])
    for item in line.notesAndRests:
        if "Harmony" in item.classes:
            continue
        if item.duration.isGrace:
            graces += [_pitch(p) for p in item.pitches]
            continue
        start, length = _exact(item.offset), _exact(item.quarterLength)
        if start + length > MOST_QUARTERS:
            raise InputError(Fault(f"measure {draft.place} is longer than {MOST_QUARTERS} quarter notes", file))
        if length <= 0 or start < now:
            continue
        if start > now:
            draft.events.append(Event(start - now))
        _symbols(draft, symbols, start)
        draft.events.append(_event(item, length, tuple(graces), slurs))
        graces = []
        now = start + length
    _symbols(draft, symbols, now + 1000)
    for mark in measure.recurse():
        name = _JUMPS.get(type(mark).__name__)
        if name:
            draft.jumps[name] = len(draft.events)


def _symbols(draft: Draft, symbols: list[tuple[Fraction, Any]], until: Fraction) -> None:
    while symbols and symbols[0][0] <= until:
        _, symbol = symbols.pop(0)
        if "NoChord" in symbol.classes:
            draft.chords.append((len(draft.events), None))
            continue
        try:
            draft.chords.append((len(draft.events), Chord.parse(re.sub(r"(?<=[A-G])-", "b", str(symbol.figure)))))
        except ValueError:
            continue


def _event(item: Any, length: Fraction, graces: tuple[Pitch, ...], slurs: dict[int, tuple[int, int]]) -> Event:
    if item.isRest:
        return Event(length)
    members = list(getattr(item, "notes", (item,)))
    pitches = [
        (_pitch(note.pitch), bool(note.tie and note.tie.type != "stop")) for note in members if hasattr(note, "pitch")
    ]
    begun, ended = slurs.get(id(item), (0, 0))
    signs = [type(sign).__name__ for sign in (*item.articulations, *item.expressions)]
    event = Event(length, pitches, graces=graces, slur_starts=begun, slur_ends=ended)
    event.bow = next((_BOWS[sign] for sign in signs if sign in _BOWS), "")
    event.marks = tuple(_MARKS[sign] for sign in signs if sign in _MARKS)
    event.words = _words(item)
    if item.duration.tuplets:
        tuplet = item.duration.tuplets[0]
        event.tuplet = (int(tuplet.numberNotesActual), int(tuplet.numberNotesNormal))
    return event


def _words(item: Any) -> tuple[str, ...]:
    """What is sung to a note, for each verse, with a hyphen where its word goes on."""
    verses: dict[int, str] = {}
    for lyric in item.lyrics:
        goes_on = "-" if lyric.syllabic in {"begin", "middle"} else ""
        if 1 <= lyric.number <= MOST_VERSES and lyric.text:
            verses[lyric.number] = one_line(str(lyric.text)).strip() + goes_on
    return tuple(verses.get(number, "") for number in range(1, max(verses, default=0) + 1))


def _pitch(pitch: Any) -> Pitch:
    alter = max(-2, min(2, round(pitch.alter)))
    octave = int(pitch.octave if pitch.octave is not None else 4)
    if not -1 <= octave <= 10:
        raise ValueError(f"octave {octave} lies beyond every instrument")
    return Pitch(str(pitch.step), alter, octave)


def _exact(value: Any) -> Fraction:
    return Fraction(value).limit_denominator(960)
