"""The drawing for the terminal: what stands where."""

import pytest

from underbow.fiddle.drawing.shape_text import draw_text
from underbow.fiddle.shapes.fingerboard import along
from underbow.fiddle.shapes.path import Step, solve
from underbow.fiddle.shapes.search import Technique, pinned_shape, shapes_for
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord

FIDDLE = Tuning.parse("GDAE")


def drawn(text, pinned=None, tuning=FIDDLE, pair=(0, 1), technique=None, **options):
    chords = [Chord.parse(symbol) for symbol in text.split()]
    shapes = solve([Step(chord, 1.0) for chord in chords], tuning, pair, pinned, technique or Technique()).shapes
    return draw_text(list(zip(chords, shapes, strict=True)), **options)


def test_the_four_shapes_of_a_first_lesson():
    assert drawn("C G D A") == "\n".join(
        [
            "C         D   ║───────────1─────────────────────────── E4  3",
            "3-1       G   ║──────────────────────────3──────────── C4  1",
            "                1 lifts · 3 lifts",
            "G         D  0║─────────────────────────────────────── D4  5",
            "0-0       G  0║─────────────────────────────────────── G3  1",
            "                1 lands",
            "D         D  0║─────────────────────────────────────── D4  1",
            "1-0       G   ║───────────1─────────────────────────── A3  5",
            "                          ┊  1 stays, lies flat",
            "A         D   ║───────────1─────────────────────────── E4  5",
            "1-1       G   ║───────────1─────────────────────────── A3  1",
        ]
    )


@pytest.mark.parametrize("label", ["L1-L1", "1-1", "L2-L2", "2-2", "3-3", "H3-H3", "4-4", "III 2-2", "III 3-3"])
def test_finger_numbers_stand_at_their_true_places(label):
    """The distance from the nut is the share of the string that is cut off (1 - 2^(-n/12)), to the nearest column."""
    chord = next(
        Chord.parse(root)
        for root in ("A", "Ab", "Bb", "B", "C", "Db", "D", "E", "F", "G", "Eb", "F#")
        if label in {s.label for s in shapes_for(Chord.parse(root), FIDDLE, (0, 1), Technique(position=3))}
    )
    shape = pinned_shape(label, chord, FIDDLE, (0, 1))
    for line, stop in zip(reversed(draw_text([(chord, shape)]).splitlines()), shape.stops, strict=True):
        columns = line.index(str(stop.finger), 14) - line.index("║")
        assert columns == round(108 * along(stop.semitones))


def test_all_strings_and_tapes():
    lines = drawn("G", {"G": "2-3"}, all_strings=True, tapes=True).splitlines()
    assert [line[10] for line in lines] == list("EADG")
    tapes = [round(108 * along(semitones)) for semitones in (2, 4, 5, 7)]
    assert [i for i, sign in enumerate(lines[0][15:], 1) if sign == "╌"] == tapes
    assert lines[2][14 + tapes[2]] == "3"
    assert lines[3][14 + tapes[1]] == "2"


def test_high_positions_fit_into_80_columns_and_plain_is_ascii():
    text = drawn("C#m7b5 Bbmaj7 G", {"G": "III 2-3"}, all_strings=True, tapes=True)
    assert max(map(len, text.splitlines())) <= 80
    plain = drawn("C F G", {"C": "3-1", "F": "3-L2"}, all_strings=True, tapes=True, plain=True)
    assert plain.isascii()
    assert [len(line) for line in plain.splitlines()] == [
        len(line.replace("┈", " ").rstrip())
        for line in drawn("C F G", {"C": "3-1", "F": "3-L2"}, all_strings=True, tapes=True).splitlines()
    ]


def test_half_position_in_plain_text():
    assert drawn("E", {"E": "1-2"}).splitlines()[1].startswith("½ 1-2     G   ║")
    assert drawn("E", {"E": "1-2"}, plain=True).splitlines()[1].startswith("1/2 1-2   G   |")


def test_a_long_chord_name_moves_the_picture_aside():
    lines = drawn("C Bbmaj7sus4/Eb").splitlines()
    assert {line.index("║") for line in lines if "║" in line} == {18}
    assert lines[-2].startswith("Bbmaj7sus4/Eb D ")


def test_many_moves_go_on_in_the_next_line():
    chord = Chord.parse("G")
    shapes = [pinned_shape(text, chord, FIDDLE, pair) for text, pair in (("III L4-2", (2, 3)), ("II 4-2", (1, 2)))]
    assert draw_text([(chord, shape) for shape in shapes]).splitlines()[2:4] == [
        "                2 jumps to another string · 4 jumps to another string · the hand",
        "                moves · the bow goes to other strings",
    ]


def test_a_staying_finger_is_marked_below():
    lines = drawn("C F", {"C": "3-1", "F": "3-L2"}).splitlines()
    assert lines[2].index("┊") == lines[1].index("3", 14) == lines[4].index("3", 14)
    assert lines[2].endswith("1 lifts · 2 lands · 3 stays")


def test_nothing_moves():
    assert "3 stays" in drawn("C Am", {"C": "3-1", "Am": "3-1"})
    assert "nothing moves" in drawn("G Gm", {"G": "0-0", "Gm": "0-0"})


def test_no_shapes():
    assert draw_text([]) == ""
