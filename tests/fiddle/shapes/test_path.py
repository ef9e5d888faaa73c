"""The path through a progression: the exact optimum, the changes that players make, and what is told."""

import math
import random
from itertools import pairwise, permutations, product

import pytest

from underbow.errors import InputError
from underbow.fiddle.shapes.change import crossing, jumping
from underbow.fiddle.shapes.cost import HANDS, Weights, cost_of, has_second
from underbow.fiddle.shapes.path import Step, path_cost, second_shapes, solve
from underbow.fiddle.shapes.search import Technique, shapes_for
from underbow.fiddle.shapes.steady import Layers, steadiest, usual_shapes
from underbow.fiddle.tuning import NAMED, Tuning
from underbow.theory.chord import QUALITIES, Chord
from underbow.theory.pitch import PitchClass

FIDDLE = Tuning.parse("GDAE")
PAIRS = ((0, 1), (1, 2), (2, 3))
KEYS = ("G", "D", "A", "C", "E", "F", "Bb", "B", "Eb", "Ab", "Db", "F#")

# Degrees as (fifths above the tonic, quality).
DEGREES = {"I": (0, ""), "ii": (2, "m"), "IV": (-1, ""), "V": (1, ""), "vi": (3, "m"), "V7": (1, "7"),
           "i": (0, "m"), "bVII": (-2, ""), "bIII": (-3, "")}  # fmt: skip
# The commonest changes in 1021 dance tunes with chord symbols (counted in github.com/jukedeck/nottingham-dataset): in major V-I
# 24.3 %, I-V 13.9, I-IV 12.3, IV-I 8.4, ii-V 6.5, IV-V 4.3; in minor V-i 11.4, bVII-i 10.9, i-bVII 9.7, i-V 6.8, bVII-bIII 6.3.
COMMONEST = ("I IV V I", "V I", "I V", "I IV", "IV I", "ii V", "IV V", "V i", "bVII i", "i bVII", "i V", "bVII bIII")


def steps(text, seconds=1.0):
    return [Step(None if symbol == "-" else Chord.parse(symbol), seconds) for symbol in text.split()]


def in_key(key, text):
    tonic = PitchClass.parse(key).fifths
    return [Chord(PitchClass.at_fifths(tonic + DEGREES[word][0]), DEGREES[word][1]) for word in text.split()]


def labels(text, pinned=None, *, seconds=1.0, pair=(0, 1), tuning=FIDDLE, **options):
    solution = solve(steps(text, seconds), tuning, pair, pinned, **options)
    return " ".join("." if shape is None else shape.label for shape in solution.shapes)


@pytest.mark.parametrize(
    ("seconds", "around"), [(0.4, False), (0.8, True), (1.0, False), (1.0, True), (4.0, False), (4.0, True)]
)
def test_the_drill_round_c_g_d_a_is_what_players_play(seconds, around):
    """Common practice, no source: the four shapes in which players drill C, G, D and A on the two lower strings."""
    assert labels("C G D A", seconds=seconds, around=around) == "3-1 0-0 1-0 1-1"


@pytest.mark.parametrize("extra", ["Em", "Am", "Bm", "E", "F", "Bb", "D7", "A7", "E7", "G7", "B7"])
def test_the_plain_shapes_stay_what_they_are_in_any_company(extra):
    """Common practice, no source: C, G, D and A keep their drill shapes in every order, whatever chord comes between them."""
    plain = {"C": "3-1", "G": "0-0", "D": "1-0", "A": "1-1"}
    for (a, b, c, d), (seconds, around) in product(permutations(plain), ((0.5, True), (2.0, False))):
        for order in ((a, extra, b, c, d), (a, b, extra, c, d), (a, extra, b, extra, c, extra, d, extra)):
            found = labels(" ".join(order), seconds=seconds, around=around).split()
            assert [shape for chord, shape in zip(order, found, strict=True) if chord != extra] == [
                plain[chord] for chord in order if chord != extra
            ], order


@pytest.mark.parametrize("seed", range(60))
def test_the_path_is_the_cheapest_of_all(seed):
    """Against brute force: every path of a small progression, in a random tuning, register, technique and tempo.

    Chords come again and again, and second shapes are cheap or dear, so that the search has to branch.
    """
    rng = random.Random(seed)
    tuning = Tuning.parse(rng.choice([*NAMED, "EDAE", "D4 D4 D4 D4"]))
    pair = rng.choice(PAIRS)
    modal, around = rng.random() < 0.3, rng.random() < 0.5
    technique = Technique(position=rng.choice((1, 1, 2)), modal=modal, drones=rng.random() < 0.1)
    pool = [Chord(PitchClass.at_fifths(rng.randint(-4, 5)), rng.choice(["", "", "m", "7", "dim"])) for _ in range(2)]
    played = [
        Step(rng.choice([*pool, *pool, None]), rng.choice((0.3, 0.7, 1.0, 2.5))) for _ in range(rng.randint(1, 5))
    ]
    choices = [
        [s for s in shapes_for(step.chord, tuning, pair, technique) if not has_second(s)] if step.chord else [None]
        for step in played
    ]
    if any(not any(shape is None or len(shape.tones) > 1 for shape in layer) for layer in choices):
        pytest.skip("falls back to other strings: tested apart")
    while math.prod(map(len, choices)) > 3000:
        played.pop()
        choices.pop()
    weights = Weights(
        jumps=rng.choice((0.5, 5.0)), finger=rng.choice((0.2, 1.0)), crosses=rng.choice((0.5, 6.0)),
        again=rng.choice((0.0, 0.3, 1.0, 4.0)),
    )  # fmt: skip
    options = {"around": around, "weights": weights}
    solution = solve(played, tuning, pair, technique=technique, **options)
    cheapest = min(path_cost(played, path, modal=modal, **options) for path in product(*choices))
    assert solution.proved
    assert solution.cost == pytest.approx(cheapest, abs=1e-9)
    assert path_cost(played, solution.shapes, modal=modal, **options) == pytest.approx(cheapest, abs=1e-9)


def test_one_shape_a_chord_unless_a_second_saves_its_price():
    text = "G Bb G C F C F"
    assert labels(text) == "0-0 L2-0 0-0 3-1 3-L2 3-1 3-L2"
    text = "Bb F Bb F C F C F C F"  # F with the first finger beside B flat, with the third beside C
    played = steps(text, 0.5)
    seconds = []
    for again in (0.0, 1.5, 30.0):
        found = solve(played, FIDDLE, (0, 1), weights=Weights(jumps=9.0, crosses=9.0, again=again))
        seconds.append(second_shapes(played, found.shapes))
        remarked = [line for line in found.remarks if line.endswith(", for the sake of quick changes")]
        assert bool(remarked) == bool(seconds[-1])
    assert seconds == sorted(seconds, reverse=True)
    assert seconds[0] > seconds[-1] == 0


@pytest.mark.parametrize("key", KEYS)
def test_no_second_shape_in_the_commonest_changes_of_any_key(key):
    for text, seconds, pair in product((*COMMONEST, "I vi IV V7", "I IV I V7 I ii V7 I"), (0.5, 1.0), PAIRS):
        played = [Step(chord, seconds) for chord in in_key(key, text)]
        shapes = solve(played, FIDDLE, pair, around=True).shapes
        assert second_shapes(played, shapes) == 0
        assert not any(has_second(shape) for shape in shapes)


def test_a_second_is_played_where_it_is_pinned_and_nowhere_else():
    assert labels("G C D7 G") == "0-0 3-1 3-2 0-0"
    assert labels("G C D7 G", {"D7": "3-0"}) == "0-0 3-1 3-0 0-0"
    for tuning, pair, fifths, quality in product(NAMED, PAIRS, range(-5, 7), ("", "m", "7", "m7", "maj7", "sus4", "6")):
        chord = Chord(PitchClass.at_fifths(fifths), quality)
        (shape,) = solve([Step(chord, 1.0)], Tuning.parse(tuning), pair).shapes
        assert not any(abs(a - b) % 12 in (1, 2) for a, b in pairwise(shape.midi)), (tuning, pair, str(chord))


def test_a_search_cut_short_says_so_and_gives_a_path_all_the_same():
    rng = random.Random(7)
    own = tuple(tuple(rng.random() for _ in range(5)) for _ in range(30))
    chords = tuple(rng.randrange(30) for _ in range(200))
    changes = tuple(tuple(tuple(3 * rng.random() for _ in own[0]) for _ in own[0]) for _ in chords[1:])
    layers = Layers(chords, own, changes)
    short = steadiest(layers, 4.0, work=2000)
    usual = usual_shapes(chords, short.shapes)
    cost = sum(own[c][s] + 4.0 * (s != usual[c]) for c, s in zip(chords, short.shapes, strict=True))
    cost += sum(change[b][a] for change, (a, b) in zip(changes, pairwise(short.shapes), strict=True))
    assert not short.proved
    assert cost == pytest.approx(short.cost) or cost < short.cost


def test_choosing_the_nearest_is_never_harder_and_often_easier_than_one_by_one():
    saved, weights = [], HANDS["nearest"]
    for key, text in product(KEYS, COMMONEST):
        chords = in_key(key, text)
        played = [Step(chord, 1.0) for chord in chords]
        shapes = [shapes_for(chord, FIDDLE, (0, 1), others=chords)[0] for chord in chords]
        alone = path_cost(played, shapes, weights=weights)
        saved.append(alone - solve(played, FIDDLE, (0, 1), weights=weights).cost)
    assert min(saved) > -1e-9
    assert sum(points > 0.1 for points in saved) > len(saved) / 4


def path_without(breaks, chords, pair, harder=float("inf")):
    """Whether some path makes none of the breaks, through shapes no more than so many points harder than the easiest."""
    reached = None
    for chord in chords:
        cost = {shape: cost_of(shape, chord).total for shape in shapes_for(chord, FIDDLE, pair)}
        layer = [shape for shape in cost if cost[shape] <= min(cost.values()) + harder]
        reached = layer if reached is None else [b for b in layer if any(not breaks(a, b) for a in reached)]
    return bool(reached)


@pytest.mark.parametrize("pair", PAIRS)
@pytest.mark.parametrize("key", KEYS)
def test_the_nearest_hand_leaves_no_string_for_another_where_it_need_not(key, pair):
    """Never a jump where there is a path without one; and not even a crossing to the next string, as high up, where there is
    a path without one through shapes no more than two fingers harder than each chord's easiest.
    """

    def leaves(before, after):
        return jumping(before, after) or crossing(before, after)

    for text, seconds in product(COMMONEST, (0.5, 1.0, 2.0, 5.0)):
        chords = in_key(key, text)
        shapes = solve([Step(chord, seconds) for chord in chords], FIDDLE, pair, weights=HANDS["nearest"]).shapes
        assert path_without(jumping, chords, pair)
        assert not any(jumping(a, b) for a, b in pairwise(shapes)), (text, [str(s) for s in shapes])
        if path_without(leaves, chords, pair, harder=2.0):
            assert not any(leaves(a, b) for a, b in pairwise(shapes)), (text, seconds, [str(s) for s in shapes])


def test_where_only_a_much_harder_shape_would_spare_a_crossing_the_finger_crosses():
    assert labels("Em D") == "0-1 1-0"


def test_the_nearest_hand_keeps_its_third_finger_in_the_key_of_c():
    assert labels("C F C", weights=HANDS["nearest"]) == "3-1 3-L2 3-1"


def test_less_time_makes_the_hand_quieter():
    def moves(seconds):
        played = steps("C F G Am Dm G7 E7 A D Bm", seconds)
        shapes = solve(played, FIDDLE, (0, 1)).shapes
        return path_cost(played, shapes) - sum(path_cost([s], [x]) for s, x in zip(played, shapes, strict=True))

    assert moves(0.3) / 2.0 <= moves(8.0) / 0.6  # in points with a second to spare


def test_pins_hold_and_the_rest_follows():
    assert labels("G C D G", {"G": "0-3"}) == "0-3 3-1 1-0 0-3"
    assert labels("C D", {"D": "1-0"}).endswith("1-0")
    assert labels("C D", {"C": "3-1"}).startswith("3-1 ")
    assert labels("G G/B Gm", {"G": "2-0"}) == "2-0 2-0 0-0"
    assert labels("G G/B", {"G": "2-0", "G/B": "0-0"}) == "2-0 0-0"
    assert labels("G G/B", {"G/B": "2-3"}).endswith("2-3")


def test_a_pin_may_need_more_than_the_technique():
    assert labels("G C", {"G": "III 2-3"}).startswith("III 2-3")
    solution = solve(steps("A D"), FIDDLE, (0, 1), {"A": "1-0"})
    assert "A 1-0: D is not in the chord and rings as a drone" in solution.remarks


def test_every_wrong_pin_is_told_in_one_go():
    with pytest.raises(InputError) as refused:
        solve(steps("G C"), FIDDLE, (0, 1), {"G": "0-1", "H": "0-0", "C": "x"})
    assert len(refused.value.faults) == 3
    assert [line.split(":")[0] for line in str(refused.value).splitlines()] == ["shapes, G", "shapes, H", "shapes, C"]


def test_silence():
    assert labels("- G - C -") == ". 0-0 . 3-1 ."
    assert labels("- -") == ". ."
    assert solve([], FIDDLE, (0, 1)).shapes == ()
    # a rest gives the hand time: the change after it is no heavier than after a long chord
    rested = solve([*steps("C", 0.5), Step(None, 1.5), *steps("D", 2.0)], FIDDLE, (0, 1))
    assert rested.cost == pytest.approx(solve(steps("C D", 2.0), FIDDLE, (0, 1)).cost)


@pytest.mark.parametrize("seconds", [0.0, -1.0, float("nan"), float("inf")])
def test_a_step_lasts_some_time(seconds):
    with pytest.raises(ValueError, match="must last"):
        Step(None, seconds)


def test_cross_tunings_play_their_own_chords_open():
    assert labels("A D E A", tuning=Tuning.parse("AEAE")).split()[::3] == ["0-0", "0-0"]
    assert labels("G C D G", tuning=Tuning.parse("GDGD")).split()[::3] == ["0-0", "0-0"]


def test_a_chord_without_a_pair_takes_the_nearest_and_tells():
    """Two strings an octave apart, and a chord of two notes of which only one is in reach of both."""
    solution = solve(steps("F5 D"), Tuning.parse("DDAD"), (0, 1))
    assert solution.shapes[0].strings == (1, 2)
    assert solution.shapes[0].midi == (65, 72)
    assert solution.remarks == (
        "F5 L2-L2: no two of its notes within reach on the D and D strings; the nearest are F and C on D and A",
    )


def test_a_chord_with_no_pair_anywhere_is_doubled_and_told():
    solution = solve(steps("F5"), Tuning.parse("D4 D4 D4 D4"), (0, 1))
    assert solution.shapes[0].tones == {5}
    assert solution.remarks == ("F5 L2-L2: F and F, one note doubled",)


@pytest.mark.parametrize("quality", QUALITIES)
def test_every_chord_there_is_can_be_backed_up_in_every_tuning(quality):
    for tuning, fifths in product(NAMED, range(-5, 7)):
        chord = Chord(PitchClass.at_fifths(fifths), quality)
        shape = solve([Step(chord, 1.0)], Tuning.parse(tuning), (0, 1)).shapes[0]
        assert shape.tones <= {*chord.numbers}
        assert len(shape.tones) == 2


@pytest.mark.parametrize("seed", range(5))
def test_long_random_progressions(seed):
    """A sample of the 10,000 in benchmarks/shapes: every shape is the chord's own, and the cost is what the path costs."""
    rng = random.Random(seed)
    tuning, pair = Tuning.parse(rng.choice(list(NAMED))), rng.choice(PAIRS)
    chords = [Chord(PitchClass.at_fifths(rng.randint(-5, 6)), rng.choice(list(QUALITIES))) for _ in range(200)]
    played = [Step(chord, rng.choice((0.4, 1.0, 2.0))) for chord in chords]
    solution = solve(played, tuning, pair, around=True)
    for chord, shape in zip(chords, solution.shapes, strict=True):
        assert shape.tones <= {*chord.numbers}
        assert shape in shapes_for(chord, tuning, shape.strings)
    assert solution.cost == pytest.approx(path_cost(played, solution.shapes, around=True))


def test_the_same_input_gives_the_same_path():
    rng = random.Random(4)
    chords = [Chord(PitchClass.at_fifths(rng.randint(-4, 5)), rng.choice(["", "m", "7"])) for _ in range(60)]
    played = [Step(chord, 1.0) for chord in chords]
    assert solve(played, FIDDLE, (0, 1)) == solve(played, FIDDLE, (0, 1))


def test_a_bare_finger_crosses_rather_than_the_little_one_working_all_evening():
    # common practice, no source: E minor and D back and forth is 0-1 and 1-0, not a fourth finger on every D
    steps = [Step(Chord.parse(name), 1.2) for name in ("Em", "D", "Em", "D", "Em")]
    labels = [shape.label for shape in solve(steps, Tuning.parse("GDAE"), (0, 1)).shapes]
    assert labels == ["0-1", "1-0", "0-1", "1-0", "0-1"]
