"""Every reader of files: real inputs to begin from, how they are mutated, and what must hold of each that is read."""

# ruff: noqa: E501, PLC0415  pieces in rows; large libraries where they are used

from __future__ import annotations

import io
import random
import sys
import zipfile
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import mutate
import ours

from underbow.errors import Fault, InputError
from underbow.fiddle.pattern import library, read_pattern
from underbow.tables import is_pattern, read_table
from underbow.theory.chord import Chord
from underbow.theory.meter import Meter
from underbow.theory.progression import Progression
from underbow.track.sheet.read import build_sheet
from underbow.tune.abc.headings import headings
from underbow.tune.abc.insert import chords_into_abc
from underbow.tune.abc.reader import read_abc, read_one
from underbow.tune.abc.writer import heard, to_abc
from underbow.tune.harmony.harmonise import harmonise
from underbow.tune.midi.reader import read_midi
from underbow.tune.musicxml import read_musicxml
from underbow.tune.show import book_text, tune_json, tune_text
from underbow.tune.source import load_tune
from underbow.tune.transpose import transposed
from underbow.tune.tune import Tune
from underbow.tune.written_out import write_out

ROOT = Path(__file__).parents[2]
sys.path.append(str(ROOT / "benchmarks" / "readers"))
import corpora  # noqa: E402

FOLDER = ROOT / "tracks"  # where sheets find their tunes
Check = Callable[[object], None]


class UnequalError(Exception):
    """Something that was read does not come back as it was."""


class NearlyError(Exception):
    """A text of which much had to be assumed, such as bars of any length, and whose tune does not come back as it was."""


@dataclass(frozen=True)
class Kind:
    """A reader: its share of all inputs, one input by a generator of chance, what is done with it, its code."""

    share: float
    make: Callable[[random.Random], str | bytes]
    drive: Callable[[str | bytes, random.Random], bool]  # whether it was accepted
    code: tuple[str, ...]  # modules whose coverage is stated


def one_line(faults: tuple[Fault, ...]) -> None:
    """Every fault is one line that a terminal shows."""
    for fault in faults:
        line = str(fault)
        if not line.isprintable() or len(line) > 2000:
            raise UnequalError(f"a line that a terminal obeys, or without end: {line[:300]!r}")


# -- ABC ------------------------------------------------------------------------------------------------------------

_ABC = (
    r'(?P<text>"[^"\n]*")|(?P<inline>\[[A-Za-z]:[^\]\n]*\])|(?P<mark>![^!\n]*!|\+[a-z.]+\+)|(?P<grace>\{[^}\n]*\})'
    r"|(?P<field>^[A-Za-z+]:[^\n]*\n?|^%%?[^\n]*\n?)|(?P<bar>\[\||:*\|+[\]:]*(?:\[?\d[\d,.-]*)?|::|\[\d[\d,-]*)"
    r"|(?P<tuplet>\(\d(?::\d?){0,2})|(?P<chord>\[[A-Ga-g^_=,'/\d-]*\][\d/]*)"
    r"|(?P<note>[\^_=]*[A-Ga-g][,']*\d*/*\d*|[zxZyX]\d*/*\d*)|(?P<broken>[<>]+)|(?P<space>\s+)|(?P<sign>.)"
)
_ABC_ODD = [
    "X:2\n", "T:t\n", "M:6/8\n", "M:C|\n", "M:none\n", "M:(2+3+2)/8\n", "M:0/0\n", "L:1/8\n", "L:1/1\n", "L:0/4\n", "K:D\n", "K:HP\n",
    "K:Dm^c\n", "K:D exp ^f\n", "K:\n", "K:H\n", "P:(AB)9A\n", "P:((((((A99)99)99)99)99)99)\n", "P:A\n", "P:B\n", "Q:1/0=0\n", "V:1\n",
    "V:2\n", "|:", ":|", "::", "|1 ", ":|2 ", "[1-99 ", "[2", "|::", "::|", "[|]", "|]", "||", "Z99|", "(9ABcdefgab", "(2:99:99A",
    "A1024", "B/1024", "c''''''", "D,,,,,,", "!D.C.alfine!", '"D.S. al Coda"', "!coda!", "!segno!", "!fine!", "H||", "{abc}", "(((((",
    ")))))", "[CEG", "]", "A-|A-|A", "- - -", ">>>>", "=3D", "\\\n", "w: la\n", "U:T=!trill!\n", "%%propagate-accidentals octave\n",
    '"Hm"', '"G;D7"', '"^words"', "&A2", "(& A &)", "\n\n", "y", "[K:Em]", "[M:6/8]", "[L:1/16]", "[V:2]", "[P:A]",
]  # fmt: skip


@cache
def abc() -> mutate.Text:
    own = [path.read_text("utf-8") for path in sorted(FOLDER.glob("*.abc"))]
    found = [
        item.text
        for name in ("ryansMammoth", "oneills1850", "airdsAirs", "miscFolk")
        for item in corpora.items(name)[::40]
    ]
    return mutate.Text(_ABC, [*own * 8, *found], _ABC_ODD)


def use_tune(tune: Tune, chance: random.Random) -> None:
    """Show it, write it and read it again, and now and then transpose it and find its chords."""
    one_line((*tune.told, *tune.passed_over))
    if chance.random() < 0.3:  # every third: they cost more than reading it
        tune_text(tune)
        tune_json(tune)
    if not any(measure.notes for measure in tune.measures):
        return
    written = to_abc(tune)
    again = read_abc(written)[0]
    before, after = all_of(tune), all_of(again)
    differ = [name for name, value in before.items() if after[name] != value]
    if differ:
        raise (NearlyError if tune.told else UnequalError)(f"read again, it has other {' and '.join(differ)}")
    if chance.random() < 0.1:
        with suppress(InputError):
            transposed(tune, chance.choice(("A", "Em", "Bb", "F#")))
    if chance.random() < 0.03:
        with suppress(InputError):
            harmonise(tune)


def all_of(tune: Tune) -> dict[str, object]:
    """Name all that must come back: what stands over the tune, and what is heard."""
    head = {name: getattr(tune, name) for name in ("number", "key", "meter", "tempo")}
    words = {name: " ".join(getattr(tune, name).split()) for name in ("title", "rhythm", "composer")}
    words["title"] = words["title"] or "Untitled"
    return (
        head | words | dict(zip(("pickup", "length", "notes", "chords", "bars"), heard(write_out(tune)), strict=True))
    )


def drive_abc(text: str | bytes, chance: random.Random) -> bool:
    assert isinstance(text, str)
    tunes = read_abc(text)
    for tune in tunes[:3]:
        use_tune(tune, chance)
    if tunes and chance.random() < 0.1:
        with suppress(InputError):
            chords_into_abc(text, tunes[0])
    return any(tune.measures for tune in tunes)


# -- tunebooks ------------------------------------------------------------------------------------------------------


def make_book(chance: random.Random) -> str:
    tunes = [
        abc().mutated(chance) if chance.random() < 0.3 else chance.choice(abc().seeds)
        for _ in range(chance.randint(2, 8))
    ]
    return chance.choice(("\n", "\n\n", "\nwords between\n\n")).join(tunes)


def drive_book(text: str | bytes, chance: random.Random) -> bool:
    assert isinstance(text, str)
    listed = headings(text)
    book_text(listed)
    if not listed:
        return False
    index = chance.randrange(len(listed))
    tune = read_one(text, index)
    if tune.number != listed[index].number:
        raise UnequalError("the list and the reader count otherwise")
    if "\n" in text:
        load_tune(text, title=chance.choice(listed).title or None, number=chance.choice((None, listed[index].number)))
    return True


# -- MIDI and MusicXML ----------------------------------------------------------------------------------------------


@cache
def midi_seeds() -> list[bytes]:
    import pretty_midi

    out = []
    for text in abc().seeds[:200:5]:
        for tune in read_abc(text)[:1]:
            melody = write_out(tune)
            if not melody.notes:
                continue
            score = pretty_midi.PrettyMIDI(resolution=480)
            part = pretty_midi.Instrument(40, name="Fiddle")
            part.notes = [
                pretty_midi.Note(80, note.midi, float(note.start) / 2, float(note.end) / 2)
                for note in melody.notes[:24]
            ]
            score.instruments.append(part)
            data = io.BytesIO()
            score.write(data)
            out.append(data.getvalue())
    return out


def drive_midi(data: str | bytes, chance: random.Random) -> bool:
    assert isinstance(data, bytes)
    tune = read_midi(data, file="a.mid")
    one_line((*tune.told, *tune.passed_over))
    melody = write_out(tune)
    again = write_out(read_abc(to_abc(tune))[0])
    if [(note.start, note.length, note.midi) for note in again.notes] != [
        (n.start, n.length, n.midi) for n in melody.notes
    ]:
        raise UnequalError("the melody of the ABC that was written differs")
    return True


@cache
def xml_seeds() -> list[str]:
    from music21 import converter
    from music21.musicxml.m21ToXml import GeneralObjectExporter

    out = [(Path(__file__).parent / "hedgerow.musicxml").read_text("utf-8")] * 4  # marks, jumps, voices, all in one
    for text in abc().seeds[:8] + [item.text for item in corpora.items("ryansMammoth")[:200:25]]:
        lines = text.split("\n")
        with suppress(Exception):  # music21 does not read every tune
            score = converter.parse("\n".join(lines[:14]), format="abc")
            root = ElementTree.fromstring(GeneralObjectExporter(score).parse())
            out.append(ElementTree.tostring(root, encoding="unicode"))
    return out


def drive_xml(data: str | bytes, chance: random.Random) -> bool:
    assert isinstance(data, bytes)
    tune = read_musicxml(data, file="a.musicxml")
    one_line((*tune.told, *tune.passed_over))
    write_out(tune)
    tune_text(tune)
    to_abc(tune)
    return True


# -- our own files --------------------------------------------------------------------------------------------------


@cache
def sheets() -> list[str]:
    own = [path.read_text("utf-8") for path in sorted(FOLDER.glob("*.toml"))]
    inside = [
        f'title = "x"\nabc = """\n{(FOLDER / "wet-socks.abc").read_text("utf-8")}"""\npattern = "polka"\n[tempo]\nstart = 60\n',
        'compose = { seed = 2, bars = 8, dance = "jig" }\nprogression = "G | C | D | G"\nmeter = "6/8"\n[[mix]]\nname = "x"\nmelody = 0\n',
        'title = "y"\ntune = "gateposts.abc"\nform = "AB"\nkey = "A"\n[tempo]\nbeat = "1/2"\nstart = 40\nstep = 5\ngoal = 60\n',
    ]
    for name, pattern in library().items():
        ours.PATTERNS_BY_METER.setdefault(str(pattern.grid.meter), []).append(name)
    return [*own, *inside]


def make_sheet(chance: random.Random) -> str:
    return ours.sheet(chance, sheets(), lambda _: abc().mutated(chance))


def drive_sheet(text: str | bytes, chance: random.Random) -> bool:
    assert isinstance(text, str)
    table = read_table(text, "s.toml")
    if is_pattern(table):
        return False
    sheet = build_sheet(table, FOLDER, "s.toml")
    one_line(sheet.told)
    if not all(words and words.isprintable() for words in (sheet.title, *(mix.name for mix in sheet.mixes))):
        raise UnequalError("a title that a terminal obeys")
    return True


@cache
def patterns() -> list[str]:
    return [path.read_text("utf-8") for path in sorted((ROOT / "patterns").glob("*.toml"))]


def drive_pattern(text: str | bytes, chance: random.Random) -> bool:
    assert isinstance(text, str)
    pattern = read_pattern(text, "p.toml")
    grid = pattern.grid
    again = type(grid).parse(
        grid.meter, grid.cells, grid.written("bow"), grid.written("accent"), grid.written("strings"),
        swing=grid.swing, retake=grid.retake,
    )  # fmt: skip
    if again != grid:
        raise UnequalError("a grid that is written does not come back")
    grid.strokes()
    return True


_PROGRESSION = (
    r"(?P<section>\b[A-Z]:)|(?P<bar>\|+)|(?P<chord>[A-G][#b♯♭]?\S*)|(?P<repeat>%|\./\.)|(?P<space>\s+)|(?P<sign>.)"
)


@cache
def progressions() -> mutate.Text:
    seeds = ["G | G | C | D", "A: G | % | C G | D7\nB: Em | C | Am D | G", "Dm - | A7 | N.C. | Bb/F", "G D C D", "| Am | F#m7b5 | Bdim | E7 |",
             "A: G|C|D|G\nB: C|G|D|G\nC: Em|%|%|D"]  # fmt: skip
    return mutate.Text(
        _PROGRESSION,
        seeds,
        ["|:", ":|", "[|", "|]", "||", "A:", "B:", "%", "-", "H7", "N.C.", "G/B", "D - G - A", "\n|"],
    )


def drive_progression(text: str | bytes, chance: random.Random) -> bool:
    assert isinstance(text, str)
    progression = Progression.parse(text)
    if Progression.parse(str(progression)) != progression:
        raise UnequalError("a progression that is written does not come back")
    progression.spans(Meter.parse(chance.choice(("4/4", "6/8", "3/4", "7/8"))))
    return True


_CHORD = r"(?P<root>[A-H][#b♯♭x]*)|(?P<word>maj|min|dim|aug|sus|add|omit|no|alt)|(?P<number>\d+)|(?P<sign>.)"


@cache
def chords() -> mutate.Text:
    seeds = [
        "G",
        "Am",
        "D7",
        "F#m7b5",
        "Bbmaj7",
        "C/E",
        "Esus4",
        "Gadd9",
        "Adim7",
        "C+",
        "E7#9",
        "Db6/9",
        "G(no3)",
        "B°",
        "F-7",
        "C△",
        "A5",
        "N.C.",
    ]
    return mutate.Text(
        _CHORD,
        seeds,
        ["#", "b", "♯", "♭", "/", "m", "M", "-", "+", "°", "ø", "△", "7", "9", "11", "13", "(", ")", "H", "h", " "],
    )


def drive_chord(text: str | bytes, chance: random.Random) -> bool:
    assert isinstance(text, str)
    try:
        chord = Chord.parse(text)
    except ValueError as fault:
        raise InputError(str(fault)) from None
    if Chord.parse(str(chord)) != chord:
        raise UnequalError("a chord that is written does not come back")
    return True


KINDS: dict[str, Kind] = {
    "chords": Kind(0.28, lambda chance: chords().mutated(chance), drive_chord, ("theory/chord.py",)),
    "progressions": Kind(0.20, lambda chance: progressions().mutated(chance), drive_progression, ("theory/progression.py",)),
    "patterns": Kind(0.22, lambda chance: ours.pattern(chance, patterns()), drive_pattern,
                     ("fiddle/pattern_file.py", "fiddle/grid.py", "fiddle/rows.py", "tables/toml.py", "tables/keys.py")),
    "abc": Kind(0.11, lambda chance: abc().mutated(chance), drive_abc,
                (*(f"tune/abc/{name}.py" for name in ("reader", "builder", "header", "fields", "notes", "finish", "lexer", "text", "writer")),
                 "tune/page/repeats.py", "tune/bars.py", "tune/written_out.py", "tune/show.py")),
    "sheets": Kind(0.06, make_sheet, drive_sheet,
                   tuple(f"track/sheet/{path.name}" for path in sorted((ROOT / "src/underbow/track/sheet").glob("[a-z]*.py")))),
    "midi": Kind(0.01, lambda chance: mutate.midi(chance, midi_seeds()), drive_midi, ("tune/midi/reader.py", "tune/midi/quantise.py")),
    "tunebooks": Kind(0.10, make_book, drive_book, ("tune/abc/headings.py", "tune/source.py")),
    "musicxml": Kind(0.02, lambda chance: mutate.musicxml(chance, xml_seeds()), drive_xml, ("tune/musicxml.py",)),
}  # fmt: skip


def warm_up() -> None:
    """Load all that is loaded when wanted, so that forked workers share it and no input pays for it."""
    library()
    for kind in KINDS.values():
        chance = random.Random(0)
        for _ in range(3):
            data = kind.make(chance)
            with suppress(InputError, UnequalError, NearlyError, ValueError):
                kind.drive(data, chance)
    assert midi_seeds()
    assert xml_seeds()
    assert zipfile
