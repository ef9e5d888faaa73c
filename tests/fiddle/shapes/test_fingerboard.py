"""Where the fingers come down, against fingering charts, and the shape as it is written."""

import pytest

from underbow.fiddle.shapes.fingerboard import HandShape, Stop, along, placements
from underbow.fiddle.tuning import Tuning
from underbow.theory.chord import Chord

FIDDLE = Tuning.parse("GDAE")


def test_first_position_as_on_charts():
    """The fourth finger is the next open string, G4 = D0, D4 = A0, A4 = E0 (fisherviolins.com, first-position chart)."""
    for lower, upper in ((0, 1), (1, 2), (2, 3)):
        fourth = HandShape((lower, upper), (Stop(7, 4), Stop(0, 0)), FIDDLE)
        assert fourth.midi[0] == fourth.midi[1]
    assert [str(stops[0]) for stops in placements(1).values()] == ["0", "L1", "1", "L2", "2", "3", "H3", "4"]
    assert list(placements(1)) == list(range(8))


def test_first_position_reaches_from_g3_to_b5():
    """Range of first position in standard tuning, G3 (55) to B5 (83): violinlover123.blogspot, positions."""
    reach = [open_string + semitones for open_string in FIDDLE.midi for semitones in placements(1)]
    assert (min(reach), max(reach)) == (55, 83)


def test_third_position_begins_where_the_third_finger_was():
    """Common practice, no source: in third position the first finger takes the note of the third."""
    third_finger = [semitones for semitones, stops in placements(1).items() if any(stop.finger == 3 for stop in stops)]
    first_finger = [semitones for semitones, stops in placements(3).items() if any(stop.finger == 1 for stop in stops)]
    assert first_finger == third_finger == [5, 6]


@pytest.mark.parametrize("position", [0, 4])
def test_other_positions_are_refused(position):
    with pytest.raises(ValueError, match="from 1 to 3"):
        placements(position)


@pytest.mark.parametrize(("semitones", "finger"), [(0, 1), (2, 0), (3, 5)])
def test_impossible_stops_are_refused(semitones, finger):
    with pytest.raises(ValueError, match="finger"):
        Stop(semitones, finger)


def test_the_length_of_string_cut_off_gives_the_frequency():
    for semitones in range(13):
        assert 1 / (1 - along(semitones)) == pytest.approx(2 ** (semitones / 12), rel=1e-12)


@pytest.mark.parametrize(
    ("stops", "position", "label"),
    [
        ((Stop(5, 3), Stop(2, 1)), 1, "3-1"),
        ((Stop(0, 0), Stop(3, 2, "L")), 1, "0-L2"),
        ((Stop(6, 3, "H"), Stop(2, 1)), 1, "H3-1"),
        ((Stop(1, 1), Stop(2, 2)), 0, "½ 1-2"),
        ((Stop(7, 2), Stop(9, 3)), 3, "III 2-3"),
    ],
)
def test_labels(stops, position, label):
    assert HandShape((0, 1), stops, FIDDLE, position).label == label


def test_notes_are_spelled_by_the_chord():
    shape = HandShape((0, 1), (Stop(1, 1, "L"), Stop(0, 0)), FIDDLE)
    assert [str(note) for note in shape.spelled(Chord.parse("E7"))] == ["G#3", "D4"]
    assert [str(note) for note in shape.spelled(Chord.parse("Bb7"))] == ["Ab3", "D4"]
    assert shape.degrees(Chord.parse("Bb7")) == ("b7", "3")
    assert shape.degrees(Chord.parse("A")) == ("7", "4")  # neither is in the chord: intervals above the root


@pytest.mark.parametrize(("symbol", "midi", "note"), [("Abm", 71, "Cb5"), ("C#maj7", 60, "B#3"), ("Cb", 71, "Cb5")])
def test_spelling_goes_round_the_octave(symbol, midi, note):
    at = next(
        HandShape((s, s + 1), (Stop(n, 1) if n else Stop(0, 0), Stop(0, 0)), FIDDLE)
        for s in range(3)
        for n in range(8)
        if FIDDLE.midi[s] + n == midi
    )
    assert str(at.spelled(Chord.parse(symbol))[0]) == note
    assert at.spelled(Chord.parse(symbol))[0].midi == midi
