"""The choices listed as data and as lines."""

import json

import pytest

from underbow.fiddle.shapes.cost import HANDS
from underbow.fiddle.shapes.list import list_text, shapes_json
from underbow.fiddle.shapes.path import Step, solve
from underbow.fiddle.shapes.search import shapes_for
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord

FIDDLE = Tuning.parse("GDAE")


def chords(text):
    return [Chord.parse(symbol) for symbol in text.split()]


def test_the_json_holds_what_the_shapes_are():
    listed = json.loads(json.dumps(shapes_json(chords("C G D A F#m7"), FIDDLE, (0, 1))))
    assert [entry["chord"] for entry in listed] == ["C", "G", "D", "A", "F#m7"]
    assert [entry["choices"][0]["label"] for entry in listed][:4] == ["3-1", "0-0", "1-0", "1-1"]
    for entry in listed:
        chord = Chord.parse(entry["chord"])
        shapes = {shape.label: shape for shape in shapes_for(chord, FIDDLE, (0, 1))}
        assert {choice["label"] for choice in entry["choices"]} == shapes.keys()
        for choice in entry["choices"]:
            shape = shapes[choice["label"]]
            assert choice["strings"] == ["G", "D"]
            assert choice["fingers"] == list(shape.fingers)
            assert choice["midi"] == list(shape.midi)
            assert choice["notes"] == [str(note) for note in shape.spelled(chord)]
            assert choice["degrees"] == list(shape.degrees(chord))
            points = sum(float(reason.rsplit(": ", 1)[1]) for reason in choice["why"])
            assert choice["cost"] == pytest.approx(points, abs=0.005)


def test_the_chosen_one_comes_first_and_the_others_by_cost():
    """The nearest hand takes F as 3-L2 after C, though alone it would be 1-L2: so the third finger can stay."""
    listed = shapes_json(chords("C F C"), FIDDLE, (0, 1), seconds=1.0, weights=HANDS["nearest"])
    path = solve([Step(chord, 1.0) for chord in chords("C F C")], FIDDLE, (0, 1), weights=HANDS["nearest"]).shapes
    assert (
        [entry["choices"][0]["label"] for entry in listed] == [shape.label for shape in path] == ["3-1", "3-L2", "3-1"]
    )
    for entry in listed:
        costs = [choice["cost"] for choice in entry["choices"][1:]]
        assert costs == sorted(costs)


def test_pins_come_first():
    listed = shapes_json(chords("G C"), FIDDLE, (0, 1), {"G": "0-3"})
    assert listed[0]["choices"][0]["label"] == "0-3"
    assert [choice["label"] for choice in listed[0]["choices"]].count("0-3") == 1


def test_a_chord_on_other_strings_says_so():
    listed = shapes_json(chords("F5"), Tuning.parse("DDAD"), (0, 1))
    assert listed[0]["choices"][0]["strings"] == ["D", "A"]


def test_the_lines_fit_the_terminal_and_say_the_same():
    text = list_text(chords("C Am C#m7b5"), FIDDLE, (0, 1))
    assert max(map(len, text.splitlines())) <= 80
    assert sum(line.startswith("> ") for line in text.splitlines()) == 3
    for entry in shapes_json(chords("C Am C#m7b5"), FIDDLE, (0, 1)):
        assert all(choice["label"] in text and f"{choice['cost']:.2f}" in text for choice in entry["choices"])
    assert "fits Am too" in " ".join(text.split())
