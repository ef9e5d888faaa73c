"""What shapes cost: each reason where a teacher would name it, and nowhere else."""

from dataclasses import fields, replace
from itertools import product

import pytest

from underbow.fiddle.shapes.change import change_cost
from underbow.fiddle.shapes.cost import WEIGHTS, Weights, cost_of, has_second
from underbow.fiddle.shapes.path import Step, path_cost
from underbow.fiddle.shapes.search import Technique, pinned_shape, shapes_for
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord
from underbow.theory.pitch import PitchClass

FIDDLE = Tuning.parse("GDAE")


def shape(symbol, label, pair=(0, 1)):
    return pinned_shape(label, Chord.parse(symbol), FIDDLE, pair)


def reasons(symbol, label, **options):
    return cost_of(shape(symbol, label), Chord.parse(symbol), **options).why


# Every reason a teacher would give, and no other.
REASONS = """
G 0-0: without the third B
A 1-1: finger 1, finger 1 flat over 2 strings, without the third C#
C 3-1: finger 1, finger 3, finger 3 arches over the upper string
D 1-0: finger 1, clear of the open string, without the third F#
D 4-2: finger 2, finger 4, finger 4 arches over the upper string
D 1-2: finger 1, finger 2, finger 1 leaves the upper string free, without the root D
A H3-1: finger 1, finger 3, high third finger, finger 3 arches over the upper string, without the root A
B 2-L1: finger 1, finger 2, low first finger, fingers 1 and 2 spread, finger 2 arches over the upper string
E7 L1-0: finger 1, low first finger, clear of the open string
D7 3-0: finger 3, clear of the open string, without the third F#, a second between the strings
D7 1-0: finger 1, clear of the open string, without the third F#, without the seventh C
G 0-3: finger 3, clear of the open string, octave to tune, without the third B, one tone only
G 4-0: finger 4, clear of the open string, unison to tune, without the root G, without the third B, one tone only
E ½ 1-2: finger 1, finger 2, half position, fingers 1 and 2 touching, finger 1 leaves the upper string free
G III 2-3: finger 2, finger 3, third position, without the root G, finger 2 leaves the upper string free
Bdim 2-0: finger 2, clear of the open string, without the altered fifth F
Dsus4 0-0:
G6 0-1: finger 1, clear of the open string, without the third B
G9 0-L2: finger 2, low second finger, clear of the open string, without the third B, without the ninth A, a bare seventh between\
 the strings
"""


@pytest.mark.parametrize("row", REASONS.strip().splitlines())
def test_the_reasons(row):
    written, expected = row.split(":")
    symbol, label = written.split(" ", 1)
    assert {*reasons(symbol, label)} == {reason.strip() for reason in expected.split(",")} - {""}


def test_low_and_high_side_by_side():
    assert "low and high finger side by side" in reasons("Db", "H3-L2")
    assert "low and high finger side by side" not in reasons("C", "3-1")


def test_every_weight_counts_somewhere():
    """No dead weights: raising any one of them raises the cost of some shape or change."""
    chords = [Chord.parse(symbol) for symbol in ("C", "G", "D", "A", "E", "Am", "Bdim", "Db", "G9", "B", "Dsus4", "F7")]
    wide = Technique(position=3, three=True, drones=True)
    shapes = [(chord, found) for chord in chords for found in shapes_for(chord, FIDDLE, (0, 1), wide)[::3]]
    changes = [(before, after) for _, before in shapes[::17] for _, after in shapes[::13]]
    changes += [(shape("G", "0-0"), shape("A", "0-0", pair=(2, 3))), (shape("Em", "0-1"), shape("D", "1-0"))]

    def total(weights):
        alone = sum(
            cost_of(found, chord, modal=m, others=chords, weights=weights).total
            for chord, found in shapes
            for m in (0, 1)
        )
        hand = path_cost(
            [Step(chords[0], 1.0)] * 3, [found for _, found in shapes[:2]] + [shapes[0][1]], weights=weights
        )
        return alone + hand + sum(change_cost(*change, weights).total for change in changes)

    now = total(WEIGHTS)
    for field in fields(Weights):
        value = getattr(WEIGHTS, field.name)
        more = tuple(part + 1 for part in value) if isinstance(value, tuple) else value + 1
        assert total(replace(WEIGHTS, **{field.name: more})) > now, field.name


def test_every_weight_is_documented():
    for field in fields(Weights):
        assert field.name in Weights.__doc__, field.name


def test_a_pair_that_another_chord_claims():
    """C and E may be C or A minor (epearlman.substack.com)."""
    others = [Chord.parse(symbol) for symbol in ("C", "Am", "C7")]
    assert "also fits Am here" in reasons("C", "3-1", others=others)  # C7 is the same chord said more fully
    assert not any("fits" in reason for reason in reasons("C", "3-3", others=others))
    assert not any("fits" in reason for reason in reasons("C", "3-1"))


@pytest.mark.parametrize("quality", ["7", "m7", "maj7", "m7b5"])
def test_third_and_seventh_or_root_and_third_come_first_for_a_seventh_chord(quality):
    """A textbook rule, from memory; but no fourth finger and no third one flat for a fifth that says another chord's root."""
    for fifths, pair in product(range(-5, 7), ((0, 1), (1, 2), (2, 3))):
        chord = Chord(PitchClass.at_fifths(fifths), quality)
        found = shapes_for(chord, FIDDLE, pair)

        def says_it(shape, chord=chord):
            degrees = {*shape.degrees(chord)}
            return bool(degrees & {"3", "b3"}) and bool(degrees & {"1", "7", "b7"})

        in_reach = [s for s in found if says_it(s) and 4 not in s.fingers and s.fingers != (3, 3) and s.position]
        assert says_it(found[0]) or not in_reach, (str(chord), [str(shape) for shape in found])
        assert not has_second(found[0])
