"""Tunes written as ABC and read again."""

import shutil
from fractions import Fraction
from pathlib import Path

import pytest

from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.theory.pitch import Pitch
from underbow.tune.abc.reader import read_abc
from underbow.tune.abc.writer import to_abc
from underbow.tune.tune import Measure, Note, Tune
from underbow.tune.written_out import write_out

from ...readers import module

HEAD = "X:3\nT:Test\nM:4/4\nL:1/8\n"


@pytest.mark.parametrize(
    "body",
    [
        "K:G\n|:D2|G2B2 d2B2|1 c2A2 F4:|2 D2F2 G4|]",
        "K:Ador\n~A2B>c (3def g2|vA,2 u^g2 _b,2 =c''2|",
        "K:Bb\nB2- B2 (cd e)f|{gf}e2 [Gc]2 !fermata!d4|]",
        "K:D Phr ^f\nD2F2 A2d2|",
        'K:C\n"C"c2 z2 "G7"G4|z4 "Am"A4|',
        "K:G\nP:A\nG8|]\nP:B\nd8|]",
        "P:AABA\nK:G\nP:A\nG8|]\nP:B\nd8|]",
        "K:G\nG8|[K:D][M:3/4]d6|",
        "K:G\nG8||\n|:d8:|",
        "Q:1/4=90\nK:G\n^F2F2 F2=F2|F,2f2 ^f2F2|",
        "K:G\n|:G8|A8!fine!:|B8|c8!D.C.!|]",
        "K:G\n|:G8|!segno!A8:|\nB8!fine!|c8!D.S.!|]",
        'K:G\n"G"G8|A8"To Coda"|"D"B8|c8"D.C. al Coda"|!coda!"G"d8|]',
        'K:G\n|:G8|!segno!A8:|\nB8!coda!|c8|d8"D.S. al Coda"|!coda!e8|f8|]',
        'K:G\nG8|A8"To Coda""D.C. al Coda"|!coda!B8|]',
        "K:G\nPG2 MA2 TB2 !turn!c2|",
        "K:G\n(3GzA B2 (3zcd (3efz|",
        "K:G\n(5:4:5GABcd (6:4:6efgfed G4|",
    ],
)
def test_read_again_it_is_the_same(body: str) -> None:
    tune = read_abc(HEAD + body + "\n")[0]
    text = to_abc(tune)
    again = read_abc(text)[0]
    assert write_out(again) == write_out(tune)
    assert (again.title, again.number, again.key, again.meter) == (tune.title, tune.number, tune.key, tune.meter)
    assert (again.tempo, again.rhythm, again.order) == (tune.tempo, tune.rhythm, tune.order)
    assert to_abc(again) == text


@pytest.mark.parametrize(
    "words",
    [
        "w: Cold feet on the stile_ and~so to town",
        "w: Stock-ing\\-less_ * * | go-ing _ home\nw: sec-ond verse",
        "w: *\nw: none be-fore this",
        "w: * * * | on-ly here &ast;&bar;&amp;lt; 5\\%~&#126; a\\-\\-b",
        "w: S\\'e-an &nbsp;x &#92;&#95; one -- two",
    ],
)
def test_the_words_come_along(words: str) -> None:
    tune = read_abc(HEAD + f"K:G\n|:G2A2 B2z2|c2B2- B2A2:|\n{words}\nG4 A4|B8|]\n")[0]
    sung = [[note.words for note in measure.notes] for measure in tune.measures]
    assert any(any(verses) for bar in sung for verses in bar)
    again = read_abc(to_abc(tune))[0]
    assert [[note.words for note in measure.notes] for measure in again.measures] == sung
    assert to_abc(again) == to_abc(tune)


FORMS = {
    "repeat after a double bar": "G8||\n|:d8:|",
    "repeat after a double bar on its line": "G8|| |:d8:|",
    "repeat after a final bar": "G8|]\n|:d8:|]",
    "repeat after a double bar and a part": "P:A\nA|:G8|1 B4 B3A:|2 B4 B3A||\nP:B\n|:d8|1 e4 e3A:|2 e8|]",
    "repeat after a plain bar and a part": "P:A\nG8|\nP:B\n|:d8:|",
    "repeats back to back": "|:G8:|:A8:|\n|:B8::c8:|",
    "repeat from the start": "G8|A8:|\nB8|]",
    "repeat from a double bar": "G8||A8|B8:|",
    "repeat from the last repeat": "|:G8:|A8|B8:|",
    "a double bar inside a repeat": "|:G8|A8||\nB8|c8:|",
    "three times": "|::G8::|A8|]",
    "three endings": "|:G8|1 A8:|2 B8:|3 c8|]",
    "a list of endings": "|::G8|[1,2 A8:|[3 B8|]",
    "endings of two bars": "|:G8|1 A8|B8:|2 c8|d8||e8|]",
    "endings after a double bar": "G8||A8|1 B8:|2 c8|]d8|]",
    "endings in both halves": "G8|1 A8:|2 B8|:c8|1 d8:|2 e8|]",
    "a change of key and meter at a repeat": "G8|:[K:D][M:3/4]f6:|[M:4/4]f8|]",
    "a change of key in an ending": "|:G8|1 f8:|2 [K:C] f8|]",
    "pickups": "D2|:G8|A6:|B2|:c8|d6:|",
    "names of parts out of order": "P:B\nG8|]\nP:A\n|:d8:|",
    "a part that comes twice": "P:A\nG8||\nP:B\nd8||\nP:A\nG8|]",
    "lines that end with no bar line": "G4\nA4|B8||\n\n",
}


# By the standard (2.1, section 4.8) a repeat goes back to a double bar, and |:: is played three times; abc2midi does neither.
NOT_BY_ABC2MIDI = {"repeat from a double bar", "endings after a double bar", "three times"}


@pytest.mark.parametrize("form", FORMS)
def test_bars_repeats_parts_and_endings_read_the_same_by_all(form: str) -> None:
    """Our reader, abcnotes and abc2midi play from what was written what they, and we, play from the original."""
    text = HEAD + "K:G\n" + FORMS[form] + "\n"
    tune = read_abc(text)[0]
    written = to_abc(tune)
    again = read_abc(written)[0]
    assert not again.told
    assert write_out(again) == write_out(tune)
    assert [m.section for m in again.measures] == [m.section for m in tune.measures]
    assert [(m.final, m.repeat_start, m.repeat_end, m.ending) for m in again.measures] == [
        (m.final, m.repeat_start, m.repeat_end, m.ending) for m in tune.measures
    ]
    assert to_abc(again) == written
    pytest.importorskip("abcnotes")
    oracles = module("oracles")
    expected = oracles.ours(text)
    assert oracles.same(expected, oracles.abcnotes(written))
    if shutil.which("abc2midi") and form not in NOT_BY_ABC2MIDI:
        assert oracles.same(expected, oracles.abc2midi([written])[0])


def test_an_order_of_parts_says_it_all() -> None:
    text = to_abc(read_abc("X:1\nP:ABA\nL:1/8\nK:G\nP:A\nG8|]\nP:B\nd8|]\n")[0])
    assert "P:ABA" in text
    assert not any(sign in text for sign in ("fine", "D.C.", "Coda"))


def test_real_tunes_read_again() -> None:
    """Ryan's Mammoth Collection (1883), as music21 carries it: every fortieth tune."""
    music21 = pytest.importorskip("music21")
    files = sorted((Path(music21.__file__).parent / "corpus" / "ryansMammoth").glob("*.abc"))[::40]
    assert len(files) > 20
    for path in files:
        tune = read_abc(path.read_bytes().decode("latin-1"))[0]
        again = read_abc(to_abc(tune))[0]
        played = [(n.start, n.length, n.midi, n.bow) for n in write_out(tune).notes]
        assert [(n.start, n.length, n.midi, n.bow) for n in write_out(again).notes] == played, path.name


@pytest.mark.parametrize("quarters", [Fraction(1669, 8), Fraction(512), Fraction(1025, 2), Fraction(6000)])
def test_a_note_or_rest_longer_than_the_reader_takes_in_one_is_written_in_pieces(quarters: Fraction) -> None:
    """The reader takes no number over 1024 in a length (found by fuzzing MIDI, in a bar of 64/1)."""
    meter = Meter((64,), 1)
    low, high = Pitch("G", 0, 4), Pitch("A", 0, 4)
    notes = (Note(Fraction(0), quarters, low, (), tied=False), Note(2 * quarters, Fraction(1), high, (), tied=False))
    bar = Measure(2 * quarters + 1, notes, (), Key.parse("C"), meter, section="A")
    tune = Tune(title="Long", key=Key.parse("C"), meter=meter, measures=(bar,), order=(0,), free=True)
    again = read_abc(to_abc(tune))[0]
    assert not any("playable" in str(told) for told in again.told)
    assert [(note.start, note.length, note.midi) for note in write_out(again).notes] == [
        (Fraction(0), quarters, 67),
        (2 * quarters, Fraction(1), 69),
    ]


def test_a_length_that_no_pieces_make_is_written_as_it_is() -> None:
    meter = Meter((4,), 4)
    note = Note(Fraction(0), Fraction(1025, 4096), Pitch("G", 0, 4))
    bar = Measure(Fraction(4), (note,), (), Key.parse("C"), meter)
    written = to_abc(Tune(title="Odd", key=Key.parse("C"), meter=meter, measures=(bar,), order=(0,)))
    assert written.splitlines()[-1] == "G1025/2048 z7z1023/2048|"
