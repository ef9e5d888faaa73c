"""What the fingers do between two shapes."""

import pytest

from underbow.fiddle.shapes.change import change_cost, crossing, hurry, jumping, staying
from underbow.fiddle.shapes.search import pinned_shape
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord

FIDDLE = Tuning.parse("GDAE")


def shape(symbol, label):
    return pinned_shape(label, Chord.parse(symbol), FIDDLE, (0, 1))


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        (("G", "0-0"), ("G", "0-0"), []),
        (("C", "3-1"), ("C", "3-1"), [("finger 1 stays", 0.0), ("finger 3 stays", 0.0)]),
        (("C", "3-1"), ("F", "3-L2"), [("finger 1 lifts", 0.1), ("finger 2 lands", 0.3), ("finger 3 stays", 0.0)]),
        (("C", "3-1"), ("D", "1-0"), [("finger 1 crosses to the next string", 0.5), ("finger 3 lifts", 0.1)]),
        (("D", "1-0"), ("A", "1-1"), [("finger 1 stays, lies flat", 0.2)]),
        (("A", "1-1"), ("D", "1-0"), [("finger 1 stays, tips up", 0.2)]),
        (("Bb", "L2-0"), ("Bm", "2-0"), [("finger 2 slides", 0.4)]),
        (("Bb", "L2-L2"), ("Bm", "2-0"), [("finger 2 slides", 0.6)]),
        (("C", "3-3"), ("C", "III 1-1"), [("finger 1 lands", 0.3), ("finger 3 lifts", 0.1), ("the hand moves", 3.0)]),
    ],
)
def test_changes(before, after, expected):
    cost = change_cost(shape(*before), shape(*after))
    assert [reason for reason, _ in cost.items] == [reason for reason, _ in expected]
    assert [points for _, points in cost.items] == pytest.approx([points for _, points in expected])


def test_going_to_open_strings_is_no_shift():
    assert "the hand moves" not in change_cost(shape("C", "III 1-1"), shape("G", "0-0")).why


def test_jumping_crossing_and_staying():
    c, f, d, e7 = shape("C", "3-1"), shape("F", "3-L2"), shape("D", "1-0"), shape("E7", "L1-0")
    assert (jumping(c, d), crossing(c, d), staying(c, d)) == ((), (1,), ())  # as high up on the next string
    assert (jumping(c, e7), crossing(c, e7), staying(c, e7)) == ((1,), (), ())
    assert change_cost(c, e7).items[0] == ("finger 1 jumps to another string", 0.9)
    assert (jumping(c, f), crossing(c, f), staying(c, f)) == ((), (), (3,))


def test_less_time_makes_a_change_heavier():
    factors = [hurry(seconds / 10) for seconds in range(1, 100)]
    assert factors == sorted(factors, reverse=True)
    assert hurry(1.0) == 1.0
