"""Tunes written as ABC and read again."""

from pathlib import Path

import pytest

from underbow.tune.abc import read_abc
from underbow.tune.write_abc import to_abc

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
        "K:G\n(5:4:5GABcd (6:4:6efgfed G4|",
    ],
)
def test_read_again_it_is_the_same(body: str) -> None:
    tune = read_abc(HEAD + body + "\n")[0]
    text = to_abc(tune)
    again = read_abc(text)[0]
    assert again.melody() == tune.melody()
    assert (again.title, again.number, again.key, again.meter) == (tune.title, tune.number, tune.key, tune.meter)
    assert (again.tempo, again.rhythm, again.order) == (tune.tempo, tune.rhythm, tune.order)
    assert to_abc(again) == text


def test_real_tunes_read_again() -> None:
    """Ryan's Mammoth Collection (1883), as music21 carries it: every fortieth tune."""
    music21 = pytest.importorskip("music21")
    files = sorted((Path(music21.__file__).parent / "corpus" / "ryansMammoth").glob("*.abc"))[::40]
    assert len(files) > 20
    for path in files:
        tune = read_abc(path.read_bytes().decode("latin-1"))[0]
        again = read_abc(to_abc(tune))[0]
        played = [(n.start, n.length, n.midi, n.bow) for n in tune.melody().notes]
        assert [(n.start, n.length, n.midi, n.bow) for n in again.melody().notes] == played, path.name
