"""Chords written into ABC texts: nothing but the chords changes, and what is read again has them."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from underbow.errors import InputError
from underbow.theory.key import Key
from underbow.theory.meter import Meter
from underbow.theory.progression import Progression
from underbow.tune.abc.encoding import decoded
from underbow.tune.abc.insert import chords_into_abc, chords_into_file
from underbow.tune.abc.reader import read_abc
from underbow.tune.harmony.harmonise import harmonise
from underbow.tune.melody.compose import compose
from underbow.tune.source import load_tune
from underbow.tune.written_out import write_out

TRACKS = Path(__file__).parents[3] / "tracks"
HEAD = "X:1\nT:Test\nM:2/4\nL:1/8\nK:G\n"


def bare(text: str) -> str:
    """Take the chord symbols off a text; words over the notes stay."""
    return re.sub(r'"([^"\n]*)"', lambda quoted: quoted[0] if quoted[1][:1] in ("^", "_", "<", ">", "@") else "", text)


def with_chords(text: str) -> str:
    tune = harmonise(read_abc(text)[0]).tune
    written = chords_into_abc(text, tune)
    again = read_abc(written)[0]
    assert write_out(again).chords == write_out(tune).chords
    assert write_out(again).notes == write_out(read_abc(text)[0]).notes
    return written


@pytest.mark.parametrize("path", sorted(TRACKS.glob("*.abc")), ids=lambda path: path.stem)
def test_our_tunes_keep_every_other_character(path: Path) -> None:
    text = bare(path.read_text(encoding="utf-8"))
    written = with_chords(text)
    assert written != text
    assert bare(written) == text


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ("(3GBd GB | {g}~d2 vd2 |]", '"G"(3GBd GB | {g}~d2 vd2 |]'),
        ("(3GBd GB | {c}!trill!A2 F2 | G4 |]", '"G"(3GBd GB | {c}"D"!trill!A2 F2 | "G"G4 |]'),
        ("(GB) dB | (.uAF) [DF]2 | [GB]4 |]", '"G"(GB) dB | "D"(.uAF) [DF]2 | "G"[GB]4 |]'),
        ('"C"GB "^slowly"dB | "Am"AF "_x"D2 | "N.C."G4 |]', '"G"GB "^slowly"dB | "D"AF "_x"D2 | "G"G4 |]'),
        ("|: GB dB | AF D2 |1 G4 :|2 G2 |]", '|: "G"GB dB | "D"AF D2 |1 "G"G4 :|2 "G"G2 |]'),
        (
            "GB dB |\\\n% a word\nAF D2 |\nw: la la la\nG4 |]",
            '"G"GB dB |\\\n% a word\n"D"AF D2 |\nw: la la la\n"G"G4 |]',
        ),
    ],
)
def test_a_symbol_stands_where_the_standard_has_it(body: str, expected: str) -> None:
    """ABC 2.1, section 4.20: grace notes, chord symbols, decorations, note; tuplets and slurs open after the symbol."""
    written = with_chords(HEAD + body + "\n")
    assert re.sub(r'"([A-G])7"', r'"\1"', written) == HEAD + expected + "\n"


def test_quotes_in_other_lines_are_words() -> None:
    text = 'X:1\nT:The "A" Train | a\nC:"D" | x\nM:2/4\nL:1/8\nK:G\nGB dB | AF D2 |\nw:"G" la la\nG4 |]\nW:"C"\n'
    assert bare(with_chords(text)).replace('"', "") == bare(text).replace('"', "")
    assert all(line in with_chords(text) for line in ('T:The "A" Train | a', 'C:"D" | x', 'w:"G" la la', 'W:"C"'))


def test_a_chord_that_changes_in_a_last_rest_waits_for_the_next_bar() -> None:
    text = "X:1\nM:2/4\nL:1/8\nK:G\nG2 z2|A4|]"
    tune = read_abc(text)[0]
    chords = [measure.chords for measure in read_abc(text.replace("G2 z2", '"G"G2 "D"z2'))[0].measures]
    measures = (replace(measure, chords=spans) for measure, spans in zip(tune.measures, chords, strict=True))
    written = chords_into_abc(text, replace(tune, measures=tuple(measures)))
    assert written.endswith('"G"G2 z2|"D"A4|]')


BOOK = (
    'X:1\r\nT:Eins\r\nM:2/4\r\nL:1/8\r\nK:G\r\n"C"GB dB|\r\n\r\nwords\r\n\r\n'
    "X:2\r\nT:Für Ó\r\nM:2/4\r\nL:1/8\r\nK:D\r\ndA FA|d4|]\r\n"
)


@pytest.mark.parametrize("encoding", ["latin-1", "utf-8", "utf-8-sig", "utf-16"])
def test_one_tune_of_a_book_in_any_encoding(encoding: str, tmp_path: Path) -> None:
    path = tmp_path / "book.abc"
    path.write_bytes(BOOK.encode(encoding))
    tune = harmonise(load_tune(path, number=2)).tune
    written = chords_into_file(path.read_bytes(), tune)
    assert written == BOOK.replace("dA FA|", '"D"dA FA|').encode(encoding)


def test_an_encoding_that_the_file_names() -> None:
    text = "%%abc-charset iso-8859-2\nX:1\nT:Łódź\nM:2/4\nL:1/8\nK:D\ndA FA|d4|]\n"
    data = text.encode("iso-8859-2")
    assert decoded(data) == text
    written = chords_into_file(data, harmonise(load_tune(text)).tune)
    assert written == text.replace("dA FA|", '"D"dA FA|').encode("iso-8859-2")


def test_characters_that_the_encoding_does_not_know_are_told() -> None:
    data = "X:1\nM:2/4\nL:1/8\nK:D\ndA FA|d4|]\n".encode("utf-16") + b"\x00\xd8"  # half of a pair
    with pytest.raises(InputError, match="save it as UTF-8"):
        chords_into_file(data, harmonise(read_abc(decoded(data))[0]).tune)


def test_no_abc_no_text_to_write_into() -> None:
    tune = compose(Progression.parse("G | D | G"), Meter.parse("6/8"), Key.parse("G"), seed=1)
    with pytest.raises(InputError, match="not read from ABC"):
        chords_into_abc("", tune)


def test_real_tunes_keep_every_other_character() -> None:
    """Ryan's Mammoth Collection (1883), as music21 carries it: every fortieth tune."""
    music21 = pytest.importorskip("music21")
    files = sorted((Path(music21.__file__).parent / "corpus" / "ryansMammoth").glob("*.abc"))[::40]
    assert len(files) > 20
    for path in files:
        data = path.read_bytes()
        written = chords_into_file(data, harmonise(load_tune(path)).tune)
        assert bare(decoded(written)) == bare(decoded(data)), path.name
