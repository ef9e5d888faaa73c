"""What is remarked beside the shapes."""

import pytest

from underbow.fiddle.shapes.path import Step, solve
from underbow.fiddle.shapes.remarks import also_fits
from underbow.fiddle.shapes.search import shapes_for
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord

FIDDLE = Tuning.parse("GDAE")


def remarks(text, pinned=None):
    return solve([Step(Chord.parse(symbol), 1.0) for symbol in text.split()], FIDDLE, (0, 1), pinned).remarks


def test_nothing_to_tell():
    assert remarks("G C D G") == ()


def test_each_thing_is_told_once():
    assert remarks("C Am C Am C", {"C": "3-1"}) == ("C 3-1: C and E also fit Am",)


def test_rich_chords_tell_which_two_tones_are_kept():
    assert remarks("D9", {"D9": "3-2"}) == (
        "D9 3-2: of its five notes the shape keeps C and F# (b7, 3), without its 9 (E)",
    )


def test_a_seventh_left_out_is_told():
    assert remarks("G7", {"G7": "0-0"}) == (
        "G7 0-0: of its four notes the shape keeps G and D (1, 5), without its b7 (F)",
    )
    assert remarks("G7", {"G7": "0-L2"}) == ()


def test_an_octave_is_told():
    assert remarks("G", {"G": "0-3"}) == ("G 0-3: G and G, one note doubled",)


@pytest.mark.parametrize(
    ("symbol", "label", "others"),
    [
        ("C", "3-1", ["Am"]),
        ("C", "0-1", ["Em"]),
        ("G", "0-0", ["Gm"]),
        ("G", "0-3", []),
        ("D7", "3-2", []),
        ("Am", "3-1", ["C"]),
    ],
)
def test_which_other_chords_a_shape_fits(symbol, label, others):
    """C and E are C or A minor, E and G are C or E minor (epearlman.substack.com); the rest by counting tones."""
    chord = Chord.parse(symbol)
    shape = next(shape for shape in shapes_for(chord, FIDDLE, (0, 1)) if shape.label == label)
    assert [str(other) for other in also_fits(shape, chord)] == others
