"""Transposing: one interval for everything, spelling that stays sensible, the octave that fits the hand."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underbow.errors import InputError
from underbow.theory.key import MODES, Key
from underbow.theory.pitch import Pitch, PitchClass
from underbow.tune.abc.reader import read_abc
from underbow.tune.transpose import FIRST_POSITION, transposed
from underbow.tune.tune import Tune

KEYS = ["C", "G", "D", "A", "E", "B", "F#", "C#", "F", "Bb", "Eb", "Ab", "Db", "Gb", "Cb"]


def tune_in(key: str, music: str = "CDEF GABc|[K:E]^d2=d2c2B2|") -> Tune:
    (tune,) = read_abc(f"X:1\nM:4/4\nL:1/8\nK:{key}\n{music}\n")
    return tune


def notes(tune: Tune) -> list[Pitch]:
    return [note.pitch for measure in tune.measures for note in measure.notes]


@given(st.sampled_from(["C", "D", "Eb", "F#m", "Ador", "Bmix", "Gphr"]), st.sampled_from(KEYS))
def test_one_interval_and_the_key_follows(key: str, to: str) -> None:
    tune = tune_in(key)
    moved = transposed(tune, to)
    intervals = {after.midi - before.midi for before, after in zip(notes(tune), notes(moved), strict=True)}
    assert len(intervals) == 1
    (interval,) = intervals
    for before, after in zip(tune.measures, moved.measures, strict=True):
        assert after.key.tonic.number == (before.key.tonic.number + interval) % 12
        assert after.key.mode == before.key.mode
    for note in moved.measures[0].notes:  # notes of the scale stay notes of the scale
        assert moved.key.alteration(note.pitch.letter) == note.pitch.alter


def test_the_octave_that_fits_first_position() -> None:
    assert [str(p) for p in notes(transposed(tune_in("D", "d2 f2 a2 b2|"), "A"))] == ["A4", "C#5", "E5", "F#5"]
    assert [str(p) for p in notes(transposed(tune_in("G", "G,2 B,2 D2|"), "D"))] == ["D4", "F#4", "A4"]
    assert (str(FIRST_POSITION[0]), str(FIRST_POSITION[1])) == ("G3", "B5")


def test_notes_out_of_reach_are_told() -> None:
    moved = transposed(tune_in("C", "C,2 C2 c2 c'2|"), "D")
    assert [fault.what for fault in moved.told] == ["2 notes lie outside G3 to B5, in whichever octave: D3, D6"]
    assert transposed(tune_in("C", "C4 c4|"), "D").told == ()


def test_chords_graces_and_chords_of_notes_move_along() -> None:
    moved = transposed(tune_in("G", '"Em"{d}[GB]2 "C/G"c2|'), "A")
    assert [str(span.chord) for span in moved.measures[0].chords] == ["F#m", "D/A"]
    first = moved.measures[0].notes[0]
    assert (str(first.pitch), str(first.under[0]), str(first.graces[0])) == ("C#5", "A4", "E5")


@pytest.mark.parametrize(
    ("key", "there", "to", "chords"),
    [
        ("C", '[K:B]"B"B^d "F#"f2 "G#m"B2 "E"e2|', "E", ["Eb", "Bb", "Cm", "Ab"]),  # D# major has nine sharps
        ("C", '[K:Db]"Db"Df "Gb"G2 "Ab"A2 "Bbm"B2|', "Ab", ["A", "D", "E", "F#m"]),  # Bbb major has nine flats
    ],
)
def test_chords_are_spelled_as_their_bar_is(key: str, there: str, to: str, chords: list[str]) -> None:
    """Where a change of key takes the enharmonic way, its chords go with it."""
    moved = transposed(tune_in(key, "C8|" + there), to)
    last = moved.measures[-1]
    assert [str(span.chord) for span in last.chords] == chords
    assert {note.pitch.pitch_class for note in last.notes} <= {
        tone for span in last.chords for tone in span.chord.tones
    }


def test_accidentals_of_the_key_move_along() -> None:
    moved = transposed(tune_in("D Phr ^f", "D4 ^f2 F2|"), "A")
    assert [str(p) for p in notes(moved)] == ["A3", "C#5", "C#4"]
    assert moved.key.alteration("C") == 1


def test_a_mode_stays_and_is_told() -> None:
    assert str(transposed(tune_in("Edor"), "A").key) == "Ador"
    assert not transposed(tune_in("Edor"), "Am").told
    assert "stays dorian" in str(transposed(tune_in("Edor"), "Amix").told[0])


def test_a_key_with_too_many_flats_is_written_the_other_way() -> None:
    moved = transposed(tune_in("F#m"), "Db")
    assert str(moved.key) == "C#m"
    assert "written as C#m" in str(moved.told[0])


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("fifths", range(-15, 20))
def test_every_note_name_is_a_key_to_go_to(mode: str, fifths: int) -> None:
    """From F double flat to B double sharp, and chords of any name come along."""
    to = PitchClass.at_fifths(fifths)
    moved = transposed(tune_in(f"E{mode[:3]}", '"Fbb"E4 "B##"E4|'), str(to))
    assert moved.key.tonic.number == to.number
    assert [(span.chord.root.number - to.number) % 12 for span in moved.measures[0].chords if span.chord] == [11, 9]


def test_no_such_key() -> None:
    with pytest.raises(InputError, match="not a key"):
        transposed(tune_in("C"), "H")


def test_a_key_that_is_given_as_such_is_a_tonic_with_or_without_its_mode() -> None:
    minor = read_abc("X:1\nT:Two\nM:2/4\nL:1/8\nK:Em\nE2B2|e4|\n")[0]
    for asked, told in ((Key.parse("A"), 0), (Key.parse("Am"), 0), (Key.parse("Adorian"), 0), (Key.parse("Amix"), 1)):
        moved = transposed(minor, asked)
        assert str(moved.key) == "Am"
        assert len(moved.told) == told
