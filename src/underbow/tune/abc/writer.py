"""A tune written as ABC, to the standard 2.1, so that it can be edited and read again."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from underbow.theory.chord import Chord
from underbow.theory.key import Key
from underbow.theory.meter import Meter, note_value
from underbow.theory.pitch import Pitch
from underbow.theory.progression import ChordSpan
from underbow.tune.abc.lexer import LONGEST
from underbow.tune.abc.lyrics import as_sung
from underbow.tune.abc.reader import read_abc
from underbow.tune.bars import edge_between
from underbow.tune.tune import Measure, Melody, Note, Tune
from underbow.tune.written_out import write_out

_SIGNS = {-2: "__", -1: "_", 0: "=", 1: "^", 2: "^^"}
_BOWS = {"d": "v", "u": "u"}
_MARKS = {"roll": "~", "trill": "T", "staccato": ".", "accent": "L", "fermata": "H", "mordent": "M",
          "upper mordent": "P"}  # fmt: skip
_MODE = {"major": "", "minor": "m"}


def to_abc(tune: Tune) -> str:
    r"""Write a tune as ABC: as it stands on the page, with its repeats, endings, chords, ties, slurs and bow marks.

    Chords of notes, grace notes, sections and the words under the notes come along; the order of parts is written where
    repeats do not say it already. What is written is read again: where it would not be played as the tune is, because no
    signs say its order, it is written out as played.

    >>> from underbow.tune.abc.reader import read_abc
    >>> text = "X:1\nT:Two\nM:2/4\nL:1/8\nK:Ador\nP:A\n|:\"Am\"A>B cB|\"G\"G4:|\n"
    >>> once = to_abc(read_abc(text)[0])
    >>> once == to_abc(read_abc(once)[0]), once.splitlines()[-1]
    (True, '|:"Am"A3/2B/ cB|"G"G4:|')
    """
    if not tune.order:
        return _written(tune, labels=False)
    wanted, first = heard(write_out(tune)), ""
    for played in (False, True):
        page = _as_played(tune) if played else tune
        for labels in sorted((True, False), key=lambda labels: labels != _labelled(page)):
            text = _written(page, labels=labels)
            if heard(write_out(read_abc(text)[0])) == wanted:
                return text
            first = first or text
    return first


def heard(melody: Melody) -> tuple[object, ...]:
    """Give what is heard of a melody, wherever on a page it stands: all that is left of it where it is written out as played.

    Where sections begin is not among it: a page that has no bar lines where its meter has them can't say that of itself.
    """
    bars = [(bar.start, bar.length, bar.section, bar.meter, bar.key) for bar in melody.bars]
    return melody.pickup, melody.length, melody.notes, melody.chords, bars


def _written(tune: Tune, *, labels: bool) -> str:
    unit = _unit(tune)
    head = [f"X:{tune.number}", f"T:{_line(tune.title) or 'Untitled'}"]
    if tune.composer:
        head += [f"C:{_line(part)}" for part in tune.composer.split("\n")]
    if tune.source:
        head.append(f"S:{_line(tune.source)}")
    if tune.rhythm:
        head.append(f"R:{_line(tune.rhythm)}")
    order = _parts(tune)
    if order:
        head.append(f"P:{order}")
    head.append("M:none" if tune.free and not tune.meter_assumed else f"M:{tune.meter}")
    head.append(f"L:{note_value(unit)}")
    if tune.tempo is not None:
        head.append(f"Q:{tune.tempo.beat_name}={_number(tune.tempo.count)}")
    head.append(f"K:{_key(tune.key)}")
    return "\n".join([*head, *_body(tune, unit, named=bool(order), labels=labels or bool(order))]) + "\n"


def _as_played(tune: Tune) -> Tune:
    """Lay a tune's measures out in the order played, without repeats; a double bar stands where the music goes elsewhere."""
    out: list[Measure] = []
    before: Chord | None = None
    has_chords = any(measure.chords for measure in tune.measures)
    on_page = []  # the chord in force where each measure begins
    for measure in tune.measures:
        on_page.append(before)
        before = measure.chords[-1].chord if measure.chords else before
    for n, index in enumerate(tune.order):
        measure = tune.measures[index]
        after = tune.order[n + 1] if n + 1 < len(tune.order) else None
        final = "||" if after is not None and edge_between(tune, index, after) else ""
        chords = measure.chords
        if n and has_chords and index != tune.order[n - 1] + 1 and not (chords and chords[0].start == 0):
            until = chords[0].start if chords else measure.length
            chords = (ChordSpan(Fraction(0), until, on_page[index]), *chords)
        out.append(
            replace(measure, chords=chords, repeat_start=0, repeat_end=0, ending=(), ending_start=False, final=final)
        )
    jumps = [n for n, (a, b) in enumerate(pairwise(tune.order), start=1) if b != a + 1]
    for begin, end in pairwise([0, *jumps, len(out)]):  # no bow stroke reaches over a jump
        _end_slurs(out, begin, end)
    return replace(tune, measures=tuple(out), order=tuple(range(len(out))))


def _end_slurs(measures: list[Measure], begin: int, end: int) -> None:
    """Let every slur of a stretch of measures end in it, and none that began before it."""
    depth, last = 0, None
    for index in range(begin, end):
        notes = list(measures[index].notes)
        for number, note in enumerate(notes):
            depth += note.slur_starts
            notes[number] = replace(note, slur_ends=min(note.slur_ends, depth))
            depth -= notes[number].slur_ends
            last = (index, number)
        measures[index] = replace(measures[index], notes=tuple(notes))
    if last is not None and depth:
        index, number = last
        notes = list(measures[index].notes)
        notes[number] = replace(notes[number], slur_ends=notes[number].slur_ends + depth)
        measures[index] = replace(measures[index], notes=tuple(notes))


def _line(text: str) -> str:
    return " ".join(text.replace("%", "\\%").split())


def _number(count: Fraction) -> str:
    return str(count.numerator) if count.denominator == 1 else format(float(count), "g")


def _key(key: Key) -> str:
    own = "".join(f" {_SIGNS[alter]}{letter.lower()}" for letter, alter in key.altered)
    return f"{key.tonic}{_MODE.get(key.mode, key.mode[:3])}{own}"


def _unit(tune: Tune) -> Fraction:
    """Take the note length that most notes have, an eighth or a sixteenth or a quarter."""
    lengths = [note.length for measure in tune.measures for note in measure.notes]
    if not lengths:
        return Fraction(1, 2)
    return max((Fraction(1, 2), Fraction(1, 4), Fraction(1)), key=lengths.count)


def _parts(tune: Tune) -> str:
    """Give the order of parts where the repeats of the page do not give the order played; empty where they do."""
    if list(tune.order) == _plain_order(tune.measures, 0, len(tune.measures)):
        return ""
    names = [measure.section for measure in tune.measures]
    firsts = [i for i, name in enumerate(names) if i == 0 or name != names[i - 1]]
    ways = {a: _plain_order(tune.measures, a, b) for a, b in zip(firsts, [*firsts[1:], len(names)], strict=True)}
    letters, index = "", 0
    while index < len(tune.order):
        way = ways.get(tune.order[index])
        if not way or tune.order[index : index + len(way)] != tuple(way):
            return ""
        letters += names[tune.order[index]]
        index += len(way)
    return letters if letters.isalpha() else ""


def _plain_order(measures: tuple[Measure, ...], first: int, after: int, *, labels: bool = True) -> list[int]:
    """Play the repeats of a stretch of the page as they stand: back to the last repeat start or double bar, endings in turn.

    No repeat reaches back over the label of a part; a double bar between ``|:`` and ``:|`` does not keep one from it.
    """
    out: list[int] = []
    opened = False
    start, turn, i, limit = first, 1, first, 10 * (after - first) + 10
    while i < after and len(out) < limit:
        measure = measures[i]
        label = labels and i > first and measure.section != measures[i - 1].section
        if (label or measure.repeat_start) and i != start:
            start, turn, opened = i, 1, False
        opened = opened or bool(measure.repeat_start)
        if measure.ending and turn not in measure.ending:
            i += 1
            continue
        out.append(i)
        if measure.repeat_end >= turn:
            turn += 1
            i = start
            continue
        if measure.repeat_end or (measure.final and not opened):
            start, turn, opened = i + 1, 1, False
        i += 1
    return out


def _labelled(tune: Tune) -> bool:
    """Whether the sections are labelled as parts: where there are several, unless a repeat reaches over one."""
    names = {measure.section for measure in tune.measures}
    if len(names) < 2:
        return not names <= {"", "A"}
    follows = {}
    for labels in (True, False):
        plain = _plain_order(tune.measures, 0, len(tune.measures), labels=labels)
        follows[labels] = list(tune.order[: len(plain)]) == plain
    return follows[True] or not follows[False]


def _jumps(tune: Tune, *, labels: bool) -> dict[int, tuple[str, str]]:
    """Find what stands before and after the notes of measures where the tune goes back: D.C. or D.S., with Fine or a coda."""
    order, size = list(tune.order), len(tune.measures)
    plain = _plain_order(tune.measures, 0, size, labels=labels)
    same = next((n for n, (a, b) in enumerate(zip(order, plain, strict=False)) if a != b), min(len(order), len(plain)))
    coda = plain[same] if same < len(plain) else size
    again = order[same : len(order) - (size - coda)]
    if not same or not again or again != sorted(set(again)) or order[same + len(again) :] != list(range(coda, size)):
        return {}
    jump, target, leave = order[same - 1], again[0], again[-1]
    if coda != jump + 1 or (coda < size and leave > jump):
        return {}
    word = "D.S." if target else "D.C."
    before, after = {}, {}
    if target:
        before[target] = "!segno!"
    if coda < size:
        before[coda] = "!coda!"
    after[leave] = '"^To Coda"' if coda < size else "!fine!"
    after[jump] = after.get(jump, "") + (f'"^{word} al Coda"' if coda < size else f"!{word}!")
    return {i: (before.get(i, ""), after.get(i, "")) for i in {*before, *after}}


def _body(tune: Tune, unit: Fraction, *, named: bool, labels: bool) -> list[str]:
    lines: list[str] = []
    row: list[str] = []
    sung: list[tuple[int, Note]] = []  # the row's notes, each with its measure
    key, meter = tune.key, tune.meter
    jumps = {} if named else _jumps(tune, labels=labels)  # the order of parts says it already
    for i, measure in enumerate(tune.measures):
        before = tune.measures[i - 1] if i else None
        after = tune.measures[i + 1] if i + 1 < len(tune.measures) else None
        if labels and measure.section and (before is None or before.section != measure.section):
            lines.append(f"P:{measure.section}")
        if measure.repeat_start:
            row.append("|" + ":" * measure.repeat_start)
        if measure.ending_start and measure.ending:
            row.append("[" + ",".join(map(str, measure.ending)) + " ")
        if measure.key != key:
            row.append(f"[K:{_key(measure.key)}]")
            key = measure.key
        if measure.meter != meter:
            row.append(f"[M:{measure.meter}]")
            meter = measure.meter
        if measure.tempo is not None and i and measure.tempo != tune.tempo:
            row.append(f"[Q:{measure.tempo.beat_name}={_number(measure.tempo.count)}]")
        first, last = jumps.get(i, ("", ""))
        row += [first, _measure(measure, unit, meter), last]
        sung += [(i, note) for note in measure.notes]
        breaks = after is None or _breaks(measure, after, labels=labels)
        row.append(_bar_line(measure, after, breaks=breaks))
        if breaks:
            lines += ["".join(row), *_lyrics(sung)]
            row, sung = [], []
    return lines


def _lyrics(sung: list[tuple[int, Note]]) -> list[str]:
    """Write the words under a row, a line for each verse; one that has none here keeps its place before the next."""
    verses = max((len(note.words) for _, note in sung), default=0)
    bars = [bar for bar, _ in sung]
    return [
        f"w:{as_sung([note.words[verse] if verse < len(note.words) else '' for _, note in sung], bars) or '*'}"
        for verse in range(verses)
    ]


def _breaks(measure: Measure, after: Measure, *, labels: bool) -> bool:
    """Whether a line ends after a measure: as on the page, before a part's name, and between a double bar and ``|:``."""
    return (
        measure.new_line or (labels and after.section != measure.section) or bool(measure.final and after.repeat_start)
    )


def _bar_line(measure: Measure, after: Measure | None, *, breaks: bool) -> str:
    """Write the bar line after a measure, whole at the end of a line; ``|:`` on the same line is the next measure's."""
    if measure.repeat_end:
        return ":" * measure.repeat_end + "|"
    if after is not None and after.repeat_start and not breaks:
        return ""
    return measure.final or "|"


def _measure(measure: Measure, unit: Fraction, meter: Meter) -> str:
    """Write a measure's notes, rests where no note is, chords where they change."""
    out: list[str] = []
    now = Fraction(0)
    chords = [(span.start, "N.C." if span.chord is None else str(span.chord)) for span in measure.chords]
    written: dict[tuple[str, int], int] = {}
    beat = meter.beat if meter.beat >= 1 else Fraction(1)
    beat = beat if beat < 2 else Fraction(1)
    tuplet: list[Note] = []
    for note in measure.notes:
        if note.start > now:
            out.append(_rests(now, note.start, chords, unit))
        elif now and note.start % beat == 0:
            out.append(" ")
        out += [f'"{name}"' for start, name in chords if start <= note.start]
        chords = [(start, name) for start, name in chords if start > note.start]
        if note.tuplet is not None and not tuplet:
            count = _run(measure.notes, note)
            tuplet = list(count)
            out.append(_tuplet(note.tuplet, len(count)))
        scale = Fraction(*note.tuplet) if note.tuplet is not None else Fraction(1)
        if tuplet:
            tuplet.pop(0)
        out.append(_note(note, unit, scale, measure.key, written))
        now = max(now, note.start + note.length)
    if now < measure.length:
        out.append(_rests(now, measure.length, chords, unit))
    return "".join(out)


def _tuplet(ratio: tuple[int, int], count: int) -> str:
    if ratio == (3, 2) and count == 3:
        return "(3"
    return f"({ratio[0]}:{ratio[1]}:{count}"


def _run(notes: tuple[Note, ...], first: Note) -> list[Note]:
    """Find the notes of one tuplet: until a rest, which is written plainly, or until they fill what plain notes can fill."""
    assert first.tuplet is not None  # noqa: S101  asked for tuplets only
    index = notes.index(first)
    out: list[Note] = []
    for note in notes[index:]:
        if note.tuplet != first.tuplet or (out and note.start > out[-1].start + out[-1].length):
            break
        out.append(note)
        total = sum((n.length for n in out), Fraction(0))
        if len(out) >= first.tuplet[0] and total.denominator & (total.denominator - 1) == 0:
            break
    return out


def _rests(start: Fraction, end: Fraction, chords: list[tuple[Fraction, str]], unit: Fraction) -> str:
    """Write a rest, cut where a chord changes in it."""
    cuts = [start, *(place for place, _ in chords if start < place < end), end]
    out = []
    for a, b in pairwise(cuts):
        name = "".join(f'"{n}"' for place, n in chords if place == a)
        out.append(f" {name}" + "".join(f"z{_length(count)}" for count in _pieces((b - a) / unit)))
    for place, name in list(chords):
        if start <= place < end:
            chords.remove((place, name))
    return "".join(out)


def _note(note: Note, unit: Fraction, scale: Fraction, key: Key, written: dict[tuple[str, int], int]) -> str:
    graces = "".join(_pitch(pitch, key, written) for pitch in note.graces)
    marks = "".join(_MARKS.get(mark, f"!{mark}!") for mark in note.marks) + _BOWS.get(note.bow, "")
    body = _body_of(note, key, written)
    slur = "(" * note.slur_starts
    ends = ")" * note.slur_ends
    grace = f"{{{graces}}}" if graces else ""
    first, *more = _pieces(note.length * scale / unit) if scale == 1 else [note.length * scale / unit]
    held = "".join(f"-{_body_of(note, key, written)}{_length(count)}" for count in more)
    return grace + slur + marks + body + _length(first) + held + ("-" if note.tied else "") + ends


def _body_of(note: Note, key: Key, written: dict[tuple[str, int], int]) -> str:
    body = "".join(_pitch(pitch, key, written) for pitch in (*note.under, note.pitch))
    return f"[{body}]" if note.under else body


def _pieces(count: Fraction) -> list[Fraction]:
    """Cut a length into such as the reader takes: no number in it is over its bound.

    >>> [str(piece) for piece in _pieces(Fraction(8197, 4))], _pieces(Fraction(1025, 2048))
    (['1024', '1024', '5/4'], [Fraction(1025, 2048)])
    """
    pieces = []
    while count > 1 and count.numerator > LONGEST:
        pieces.append(Fraction(min(int(count), LONGEST)))
        count -= pieces[-1]
    return [*pieces, count] if count else pieces


def _pitch(pitch: Pitch, key: Key, written: dict[tuple[str, int], int]) -> str:
    """Write a pitch, with an accidental where the bar so far does not give it; one reaches all octaves for a careful reader."""
    others = {alter for (letter, _), alter in written.items() if letter == pitch.letter}
    now = written.get((pitch.letter, pitch.octave), key.alteration(pitch.letter))
    sign = _SIGNS[pitch.alter] if now != pitch.alter or (others and others != {pitch.alter}) else ""
    if sign:
        written[pitch.letter, pitch.octave] = pitch.alter
    letter = pitch.letter if pitch.octave <= 4 else pitch.letter.lower()
    return sign + letter + ("," * (4 - pitch.octave) if pitch.octave < 4 else "'" * (pitch.octave - 5))


def _length(count: Fraction) -> str:
    if count == 1:
        return ""
    if count.denominator == 1:
        return str(count.numerator)
    return f"{count.numerator if count.numerator > 1 else ''}/{count.denominator}" if count != Fraction(1, 2) else "/"
