"""Every hand shape of a chord: against players' and published shapes, and against an independent count."""

from itertools import product

import mir_eval.chord
import pytest

from underbow.errors import InputError
from underbow.fiddle.shapes.search import Technique, pinned_shape, shapes_for, written_shape
from underbow.fiddle.tuning import NAMED, Tuning
from underbow.theory.chord import Chord
from underbow.theory.pitch import PitchClass

FIDDLE = Tuning.parse("GDAE")
PAIRS = ((0, 1), (1, 2), (2, 3))

# Fingers (degrees) MIDI on the pairs G-D, D-A and A-E; L low, H high. All follow from the first-position fingering chart
# (fisherviolins.com) by arithmetic; in words on players' pages: D 1-0, 1-2 and 0-0, 2-0, 2-3 (petecooper.com, open D with the
# first-finger A; epearlman.substack.com, one-finger fiddle chords), E as H3-1 on D and A (infobar.org, G# on D with B on A).
TABLE = """
G   | 0-0 1,5 55/62; 2-0 3,5 59/62; 2-3 3,1 59/67 | 0-1 5,3 62/71; 3-1 1,3 67/71 | 1-L2 3,1 71/79; 3-L2 5,1 74/79
D   | 1-0 5,1 57/62; 1-2 5,3 57/66 | 0-0 1,5 62/69; 2-0 3,5 66/69; 2-3 3,1 66/74 | 0-1 5,3 69/78; 3-1 1,3 74/78
A   | 1-1 1,5 57/64; H3-1 3,5 61/64 | 1-0 5,1 64/69; 1-2 5,3 64/73 | 0-0 1,5 69/76; 2-0 3,5 73/76; 2-3 3,1 73/81
C   | 0-1 5,3 55/64; 3-1 1,3 60/64; 3-3 1,5 60/67 | 1-L2 3,1 64/72; 3-L2 5,1 67/72 | L2-0 1,3 72/76; L2-L2 1,5 72/79
E   | 2-1 5,1 59/64; 2-H3 5,3 59/68 | 1-1 1,5 64/71; H3-1 3,5 68/71 | 1-0 5,1 71/76; 1-2 5,3 71/80
F   | 1-L2 3,1 57/65; 3-L2 5,1 60/65 | L2-0 1,3 65/69; L2-L2 1,5 65/72 | 0-L1 3,1 69/77; L2-L1 5,1 72/77
Bb  | L2-0 1,3 58/62; L2-L2 1,5 58/65 | 0-L1 3,1 62/70; L2-L1 5,1 65/70 | L1-L1 1,5 70/77; 3-L1 3,5 74/77
B   | 2-2 1,5 59/66; 2-L1 1,3 59/63 | 2-1 5,1 66/71; 2-H3 5,3 66/75 | 1-1 1,5 71/78; H3-1 3,5 75/78
Am  | 1-1 1,5 57/64; 3-1 b3,5 60/64 | 1-0 5,1 64/69; 1-L2 5,b3 64/72 | 0-0 1,5 69/76; L2-0 b3,5 72/76
Em  | 0-1 b3,1 55/64; 2-1 5,1 59/64 | 1-1 1,5 64/71; 3-1 b3,5 67/71 | 1-0 5,1 71/76; 1-L2 5,b3 71/79
Bm  | 2-0 1,b3 59/62; 2-2 1,5 59/66 | 0-1 b3,1 62/71; 2-1 5,1 66/71 | 1-1 1,5 71/78; 3-1 b3,5 74/78
F#m | 1-2 b3,1 57/66; H3-2 5,1 61/66 | 2-0 1,b3 66/69; 2-2 1,5 66/73 | 0-1 b3,1 69/78; 2-1 5,1 73/78
Dm  | 1-0 5,1 57/62; 1-L2 5,b3 57/65 | 0-0 1,5 62/69; L2-0 b3,5 65/69 | 0-L1 5,b3 69/77; 3-L1 1,b3 74/77
Gm  | 0-0 1,5 55/62; L2-0 b3,5 58/62 | 0-L1 5,b3 62/70; 3-L1 1,b3 67/70 | L1-L2 b3,1 70/79; 3-L2 5,1 74/79
A7  | 1-3 1,b7 57/67 | 3-2 b7,3 67/73 | 0-L2 1,b7 69/79
D7  | 3-2 b7,3 60/66; 3-0 b7,1 60/62 | 0-L2 1,b7 62/72 | L2-1 b7,3 72/78
E7  | L1-0 3,b7 56/62 | 1-3 1,b7 64/74; 0-1 b7,5 62/71 | 3-2 b7,3 74/80
G7  | 0-L2 1,b7 55/65 | L2-1 b7,3 65/71 | 3-L1 5,b7 74/77
"""
ROWS = [
    (symbol.strip(), pair, shape.strip())
    for line in TABLE.strip().splitlines()
    for symbol, *cells in [line.split("|")]
    for pair, cell in zip(PAIRS, cells, strict=True)
    for shape in cell.split(";")
]


def test_the_table_is_whole():
    assert len({symbol for symbol, _, _ in ROWS}) == 18
    assert len({(symbol, pair) for symbol, pair, _ in ROWS}) == 18 * 3
    assert len(ROWS) == len({*ROWS}) == 102


@pytest.mark.parametrize(("symbol", "pair", "shape"), ROWS)
def test_every_shape_of_the_table_is_a_choice(symbol, pair, shape):
    label, degrees, midi = shape.split()
    chord = Chord.parse(symbol)
    found = {choice.label: choice for choice in shapes_for(chord, FIDDLE, pair)}
    assert label in found
    assert found[label].degrees(chord) == tuple(degrees.split(","))
    assert found[label].midi == tuple(map(int, midi.split("/")))
    assert "".join(map(str, found[label].fingers)) == label.replace("-", "").replace("L", "").replace("H", "")


@pytest.mark.parametrize(("symbol", "label"), [("C", "3-1"), ("G", "0-0"), ("D", "1-0"), ("A", "1-1")])
def test_the_first_choice_on_the_low_strings_is_what_players_play(symbol, label):
    """Common practice, no source: what players who back up a tune on the two lower strings state."""
    assert shapes_for(Chord.parse(symbol), FIDDLE, (0, 1))[0].label == label


def test_the_octave_g_is_among_the_choices():
    """Common practice, no source: open G with the third-finger G on the D string."""
    octave = next(shape for shape in shapes_for(Chord.parse("G"), FIDDLE, (0, 1)) if shape.label == "0-3")
    assert octave.midi == (55, 67)


# Qualities by our names and by mir_eval's (Harte's syntax); mir_eval 0.8.2 chord.encode gives semitone bitmaps above the root.
QUALITIES = {"": "maj", "m": "min", "7": "7", "m7": "min7", "maj7": "maj7", "dim": "dim", "aug": "aug", "sus4": "sus4",
             "sus2": "sus2", "6": "maj6", "m6": "min6", "dim7": "dim7", "m7b5": "hdim7", "mmaj7": "minmaj7"}  # fmt: skip
ROOTS = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


@pytest.mark.parametrize("tuning", NAMED)
@pytest.mark.parametrize("quality", QUALITIES)
def test_the_choices_equal_an_independent_count(tuning, quality):
    """Any two stops from the open string to the fourth finger whose notes mir_eval has in the chord, and no others."""
    strings = Tuning.parse(tuning)
    for name in ROOTS:
        chord = Chord(PitchClass.parse(name), quality)
        root, bitmap, _ = mir_eval.chord.encode(f"{name}:{QUALITIES[quality]}")
        for pair in PAIRS:
            low, high = strings.midi[pair[0]], strings.midi[pair[1]]
            expected = {
                (one, other)
                for one, other in product(range(8), repeat=2)
                if bitmap[(low + one - root) % 12] and bitmap[(high + other - root) % 12]
            }
            shapes = shapes_for(chord, strings, pair)
            assert {tuple(stop.semitones for stop in shape.stops) for shape in shapes} == expected
            assert len({*shapes}) == len(shapes)
            for shape in shapes:
                for degree, midi in zip(shape.degrees(chord), shape.midi, strict=True):
                    if degree != "bb7":  # a sixth, as mir_eval counts it
                        assert mir_eval.chord.scale_degree_to_semitone(degree) % 12 == (midi - root) % 12


@pytest.mark.parametrize(
    ("tuning", "symbol"), [("AEAE", "A"), ("GDGD", "G"), ("ADAE", "D"), ("GDGB", "G"), ("AEAC#", "A")]
)
def test_a_cross_tuning_makes_its_own_chord_open(tuning, symbol):
    strings, chord = Tuning.parse(tuning), Chord.parse(symbol)
    best = [shapes_for(chord, strings, pair)[0].label for pair in PAIRS]
    assert "0-0" in best
    if tuning in {"AEAE", "GDGD"}:  # tuned in a fifth, a fourth and a fifth of the chord
        assert best[::2] == ["0-0", "0-0"]


def test_no_finger_is_in_two_places():
    for symbol, tuning, position in product(("C", "F#7", "Bdim", "Abm7", "Eaug"), NAMED, (1, 2, 3)):
        for pair in PAIRS:
            for shape in shapes_for(Chord.parse(symbol), Tuning.parse(tuning), pair, Technique(position=position)):
                one, other = shape.stops
                assert one.finger != other.finger or one.semitones == other.semitones
                assert 0 in shape.fingers or (one.finger < other.finger) == (one.semitones < other.semitones)


def test_a_semitone_apart_takes_neighbouring_fingers():
    labels = {
        symbol: {shape.label for shape in shapes_for(Chord.parse(symbol), FIDDLE, (0, 1))} for symbol in ("E", "G7")
    }
    assert "½ 1-2" in labels["E"]  # G# and E: both would be the first finger's in first position
    assert "L3-L2" in labels["G7"]  # B and F: both would be the second finger's
    assert "3-L4" in {shape.label for shape in shapes_for(Chord.parse("Ab"), FIDDLE, (0, 1))}


def test_higher_positions_add_and_take_nothing_away():
    for symbol in ("C", "Gm", "D7"):
        reach = [set(shapes_for(Chord.parse(symbol), FIDDLE, (1, 2), Technique(position=p))) for p in (1, 2, 3)]
        assert reach[0] < reach[1] < reach[2]
    third = [s for s in shapes_for(Chord.parse("G"), FIDDLE, (0, 1), Technique(position=3)) if s.position == 3]
    assert ("III 2-3", (62, 71)) in [(shape.label, shape.midi) for shape in third]


def test_three_strings():
    three = [s for s in shapes_for(Chord.parse("G"), FIDDLE, (0, 1), Technique(three=True)) if len(s.stops) == 3]
    assert ("0-0-1", (55, 62, 71)) in [(shape.label, shape.midi) for shape in three]
    assert {shape.strings for shape in three} == {(0, 1, 2)}
    on_top = [s for s in shapes_for(Chord.parse("A"), FIDDLE, (2, 3), Technique(three=True)) if len(s.stops) == 3]
    assert {shape.strings for shape in on_top} == {(1, 2, 3)}


def test_a_finger_flat_over_the_outer_strings_stops_the_middle_one_too():
    cross = shapes_for(Chord.parse("A"), Tuning.parse("AEAE"), (0, 1), Technique(three=True))
    labels = [shape.label for shape in cross]
    assert "2-3-2" in labels  # a higher finger is heard in the middle
    assert not {"2-0-2", "4-0-4", "4-3-4"} & {*labels}


def test_drones():
    chord = Chord.parse("G")
    droned = [s for s in shapes_for(chord, FIDDLE, (1, 2), Technique(drones=True)) if not s.tones <= {*chord.numbers}]
    assert ("3-0", (67, 69)) in [(shape.label, shape.midi) for shape in droned]  # the open A rings through a G chord
    for shape in droned:
        foreign = [stop for stop, midi in zip(shape.stops, shape.midi, strict=True) if midi % 12 not in chord.numbers]
        assert [stop.finger for stop in foreign] == [0]  # only open strings, and never both


def test_modal_tunes_leave_the_third_out():
    """ashevillemandolin.wordpress.com, quoting a fiddler: in modal tunes leave the third out."""
    for symbol in ("C", "Am", "F", "Bb", "Em"):
        chord = Chord.parse(symbol)
        assert {*shapes_for(chord, FIDDLE, (0, 1), Technique(modal=True))[0].degrees(chord)} == {"1", "5"}


@pytest.mark.parametrize(
    ("text", "symbol", "label"),
    [
        ("0-3", "G", "0-3"),
        ("1-2", "F", "1-L2"),  # a chart without low and high: the finger goes where the chord has a note
        ("1-2", "D", "1-2"),
        ("1 – l2", "F", "1-L2"),
        ("1-2", "E", "½ 1-2"),
        ("half 1-2", "E", "½ 1-2"),
        ("III 2-3", "G", "III 2-3"),
        ("3 2-3", "G", "III 2-3"),
        ("III 0-0", "G", "0-0"),  # open strings are open in every position
        ("0-0-1", "G", "0-0-1"),
        ("1-0", "A", "1-0"),  # the open D rings along: the teacher wants it
    ],
)
def test_pins(text, symbol, label):
    assert pinned_shape(text, Chord.parse(symbol), FIDDLE, (0, 1)).label == label


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0-1", "it sounds E, and G is G, B, D; take one of 0-0, 2-3, 2-0, 4-3, 0-3, 4-0"),
        ("L1-1", "it sounds Ab and E, and G is"),
        ("2-H3", "it sounds Ab, and G is"),
        ("III 3-1", "it sounds E, and G is"),
        ("0", "write the fingers, lower string first"),
        ("0-5", "write the fingers"),
        ("IV 1-1", "write the fingers"),
        ("", "write the fingers"),
        ("0-0-0-0", "write the fingers"),
        ("0-0-L1", "these fingers can't stop its notes here"),
        ("L4-4", "it sounds C# and A, and G is"),
        ("½ 1-2", "it sounds Ab and E, and G is"),  # a semitone lower than in first position
        ("half 3-1", "these fingers can't stop its notes here"),
    ],
)
def test_a_wrong_pin_is_told_in_one_line_with_the_cure(text, said):
    with pytest.raises(InputError, match=said) as refused:
        pinned_shape(text, Chord.parse("G"), FIDDLE, (0, 1))
    assert len(str(refused.value).splitlines()) == 1


def test_a_wrong_pin_names_its_notes_on_the_chords_own_side_and_is_read_all_the_same():
    """A G sharp under D stands in sharps, as whoever plays in D reads it; the shape itself can be drawn."""
    cross = Tuning.parse("AEAE")
    with pytest.raises(InputError, match="it sounds E and G#, and D is D, F#, A; take one of 3-1"):
        pinned_shape("4-2", Chord.parse("D"), cross, (0, 1))
    assert [str(note) for note in written_shape("4-2", cross, (0, 1)).spelled(Chord.parse("D"))] == ["E4", "G#4"]
    assert written_shape("9-9", cross, (0, 1)) is None
    assert written_shape("0-0-1", cross, (0, 1)) is None


def test_technique_is_checked():
    with pytest.raises(InputError, match="write 1, 2 or 3"):
        Technique(position=4)
    with pytest.raises(ValueError, match="neighbouring"):
        shapes_for(Chord.parse("G"), FIDDLE, (0, 2))
