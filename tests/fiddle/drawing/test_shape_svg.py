"""The drawing as SVG: read back as XML, measured, and fit for any page."""

import re
from xml.etree import ElementTree as ET

import pytest

from underbow.fiddle.drawing.shape_svg import draw_svg
from underbow.fiddle.shapes.fingerboard import along
from underbow.fiddle.shapes.path import Step, solve
from underbow.fiddle.shapes.search import Technique, pinned_shape, shapes_for
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord

FIDDLE = Tuning.parse("GDAE")
SVG = "{http://www.w3.org/2000/svg}"


def placed(text, pinned=None, tuning=FIDDLE):
    chords = [Chord.parse(symbol) for symbol in text.split()]
    shapes = solve([Step(chord, 1.0) for chord in chords], tuning, (0, 1), pinned).shapes
    return list(zip(chords, shapes, strict=True))


def texts(element):
    return [text.text for text in element.iter(f"{SVG}text")]


def rings(element):
    """Middle of each ring, and how far it reaches down."""
    return [
        (float(r.get("x")) + float(r.get("width")) / 2, float(r.get("y")), float(r.get("height")))
        for r in element.iter(f"{SVG}rect")
    ]


def test_it_says_everything_in_text():
    root = ET.fromstring(draw_svg(placed("F#m")))
    assert root.find(f"{SVG}title").text == "F#m: 1-2, A3 (b3) and F#4 (1)"
    assert {"F♯m", "1-2", "A3", "♭3", "F♯4", "1", "2", *"GDAE"} == {*texts(root)}


@pytest.mark.parametrize("label", ["L1-L1", "1-1", "L2-L2", "2-2", "3-3", "H3-H3", "4-4"])
def test_rings_lie_at_their_true_places(label):
    """1 - 2^(-n/12) of the string from the nut, whatever the scale."""
    chord = next(
        Chord.parse(r)
        for r in ("A", "Ab", "Bb", "B", "C", "Db", "D")
        if label in {s.label for s in shapes_for(Chord.parse(r), FIDDLE, (0, 1))}
    )
    shape = pinned_shape(label, chord, FIDDLE, (0, 1))
    root = ET.fromstring(draw_svg([(chord, shape)]))
    nut = next(line for line in root.iter(f"{SVG}line") if line.get("x1") == line.get("x2"))
    length = 460.0
    (ring,) = rings(root)
    assert ring[0] - float(nut.get("x1")) == pytest.approx(length * along(shape.stops[0].semitones), abs=0.1)
    assert ring[2] > 30  # one long ring over both strings


def test_low_strings_are_at_the_bottom_and_fan_out_from_the_nut():
    root = ET.fromstring(draw_svg(placed("G")))
    names = {
        t.text: float(t.get("y"))
        for t in root.iter(f"{SVG}text")
        if t.get("x") == "4.0" and t.text in "GDAE" and t.get("font-size") == "10"
    }
    assert sorted(names, key=names.get) == list("EADG")
    strings = [line for line in root.iter(f"{SVG}line") if line.get("stroke-width") == "1.3"]
    (top, bottom) = sorted(strings, key=lambda line: float(line.get("y1")))
    assert float(bottom.get("y2")) - float(top.get("y2")) > float(bottom.get("y1")) - float(top.get("y1"))


def test_a_staying_finger_has_a_second_ring():
    root = ET.fromstring(draw_svg(placed("C F", {"C": "3-1", "F": "3-L2"})))
    first, second = root.findall(f"{SVG}g")
    assert len(rings(first)) == 2
    assert len(rings(second)) == 3
    assert "finger 3 stays" in texts(second)
    assert not any("stay" in text for text in texts(first))


def test_only_the_strings_in_use():
    whole, pair = (ET.fromstring(draw_svg(placed("C"), all_strings=each)) for each in (True, False))
    assert {"A", "E"} <= {*texts(whole)}
    assert not {"A", "E"} & {*texts(pair)}
    assert float(pair.get("height")) < float(whole.get("height"))


def test_tapes_leave_the_rings_free():
    bare, taped = (ET.fromstring(draw_svg(placed("A"), tapes=each)) for each in (False, True))
    more = [line for line in taped.iter(f"{SVG}line") if line.get("stroke-dasharray") == "3 2"]
    assert not [line for line in bare.iter(f"{SVG}line") if line.get("stroke-dasharray") == "3 2"]
    ((x, top, height),) = rings(taped)
    for line in more:
        if abs(float(line.get("x1")) - x) < 1:
            low, high = sorted((float(line.get("y1")), float(line.get("y2"))))
            assert high <= top + 0.2 or low >= top + height - 0.2


def test_it_fits_into_any_page():
    """No ids, styles, scripts or links that could meet others in one page; no colour but the text's own."""
    text = draw_svg(placed("C G D A E7 Bb F#m Am7"), tapes=True, columns=3)
    root = ET.fromstring(text)
    assert {element.tag.removeprefix(SVG) for element in root.iter()} == {"svg", "title", "g", "line", "rect", "text"}
    assert not any({"id", "style", "class", "href"} & {*element.attrib} for element in root.iter())
    assert {*re.findall(r'(?:fill|stroke)="([^"]*)"', text)} == {"none", "currentColor"}
    assert len(root.findall(f"{SVG}g")) == 8


def test_nothing_lies_outside_the_picture():
    for shapes in (
        placed("C G D A"),
        placed("G", {"G": "III 2-3"}),
        placed("G", {"G": "0-0-1"}),
        placed("D", tuning=Tuning.parse("DDAD")),
    ):
        root = ET.fromstring(draw_svg(shapes, columns=1))
        _, _, wide, high = map(float, root.get("viewBox").split())
        for i, group in enumerate(root.findall(f"{SVG}g")):
            down = high / len(shapes) * i
            for line in group.iter(f"{SVG}line"):
                assert all(0 <= float(line.get(x)) <= wide for x in ("x1", "x2"))
                assert all(0 <= down + float(line.get(y)) <= down + high / len(shapes) for y in ("y1", "y2"))
            for t in group.iter(f"{SVG}text"):
                assert (
                    float(t.get("x"))
                    + (0.56 * float(t.get("font-size")) * len(t.text) if t.get("text-anchor") == "start" else 0)
                    <= wide
                )
                assert 0 < float(t.get("y")) < high / len(shapes)


@pytest.mark.parametrize("least", [0.0, 13.3, 17.8])
def test_larger_letters_stay_in_their_rings_and_clear_of_each_other(least):
    """A letter is 0.56 of its size wide on the average (measured on the printed sheet's face)."""
    for shapes in (placed("F", {"F": "1-L2"}), placed("C#m", {"C#m": "H3-1"}), placed("F#")):
        root = ET.fromstring(draw_svg(shapes, least=least))
        sizes = [float(text.get("font-size")) for text in root.iter(f"{SVG}text")]
        assert min(sizes) >= least
        for text in root.iter(f"{SVG}text"):
            x, wide = float(text.get("x")), 0.56 * float(text.get("font-size")) * len(text.text)
            if text.text in {"L2", "H3"}:
                (ring,) = [
                    r for r in root.iter(f"{SVG}rect") if abs(float(r.get("x")) + float(r.get("width")) / 2 - x) < 1
                ]
                assert wide < float(ring.get("width"))
            if re.fullmatch("[A-G][♯♭]?[0-9]", text.text):
                assert x + wide <= min(
                    float(degree.get("x"))
                    for degree in root.iter(f"{SVG}text")
                    if degree.get("y") == text.get("y") and float(degree.get("x")) > x
                )


def test_a_technique_beyond_first_position_makes_the_neck_longer():
    chord = Chord.parse("G")
    third = next(s for s in shapes_for(chord, FIDDLE, (0, 1), Technique(position=3)) if s.position == 3)
    first = shapes_for(chord, FIDDLE, (0, 1))[0]
    widths = [float(ET.fromstring(draw_svg([(chord, shape)])).get("width")) for shape in (first, third)]
    assert widths[0] < widths[1]


def test_the_font_may_be_chosen():
    assert ET.fromstring(draw_svg(placed("G"), font='A "B" & C')).get("font-family") == 'A "B" & C'


def test_no_shapes_and_no_columns():
    assert ET.fromstring(draw_svg([])).tag == f"{SVG}svg"
    with pytest.raises(ValueError, match="at least 1"):
        draw_svg([], columns=0)
