"""Pitches against ISO 16 and librosa."""

from __future__ import annotations

import librosa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underbow.theory.pitch import LETTERS, Pitch, PitchClass, cents, frequency, spelled

MIDI = st.integers(0, 127)
CLASSES = st.builds(PitchClass, st.sampled_from(LETTERS), st.integers(-2, 2))


class TestFrequency:
    def test_concert_pitch(self) -> None:
        # ISO 16:1975: the standard tuning frequency is A4 = 440 Hz
        assert frequency(69) == 440.0

    @pytest.mark.parametrize(
        ("name", "midi", "hertz"),
        [
            # 12-TET from A4 = 440 Hz, computed by f = 440 * 2^((m - 69) / 12); open strings and first position
            ("G3", 55, 195.997718),
            ("A3", 57, 220.0),
            ("C4", 60, 261.625565),
            ("D4", 62, 293.664768),
            ("E4", 64, 329.627557),
            ("F#4", 66, 369.994423),
            ("A4", 69, 440.0),
            ("C#5", 73, 554.365262),
            ("E5", 76, 659.255114),
            ("B5", 83, 987.766603),
            ("E6", 88, 1318.510228),
        ],
    )
    def test_table(self, name: str, midi: int, hertz: float) -> None:
        assert Pitch.parse(name).midi == midi
        assert frequency(midi) == pytest.approx(hertz, abs=5e-7)

    @given(MIDI, st.floats(415, 466))
    def test_agrees_with_librosa(self, midi: int, concert_pitch: float) -> None:
        expected = librosa.midi_to_hz(midi) * concert_pitch / 440.0
        assert frequency(midi, concert_pitch) == pytest.approx(expected, rel=1e-12)

    @pytest.mark.parametrize(
        ("ratio", "size"),
        [(3 / 2, 701.955), (4 / 3, 498.045), (5 / 4, 386.314), (6 / 5, 315.641), (5 / 3, 884.359), (81 / 80, 21.506)],
    )
    def test_just_intervals_in_cents(self, ratio: float, size: float) -> None:
        # 1200 log2 of the ratio
        assert cents(ratio, 1.0) == pytest.approx(size, abs=5e-4)


class TestNames:
    @given(CLASSES, st.integers(-1, 9))
    def test_agrees_with_librosa(self, name: PitchClass, octave: int) -> None:
        pitch = Pitch(name.letter, name.alter, octave)
        assert pitch.midi == librosa.note_to_midi(str(pitch))

    @given(CLASSES, st.integers(-2, 10))
    def test_reads_what_it_writes(self, name: PitchClass, octave: int) -> None:
        pitch = Pitch(name.letter, name.alter, octave)
        assert Pitch.parse(str(pitch)) == pitch
        assert PitchClass.parse(str(name)) == name == pitch.pitch_class

    @given(CLASSES)
    def test_line_of_fifths_there_and_back(self, name: PitchClass) -> None:
        assert PitchClass.at_fifths(name.fifths) == name
        assert name.number == 7 * name.fifths % 12

    @given(CLASSES, MIDI)
    def test_at_gives_the_octave(self, name: PitchClass, midi: int) -> None:
        midi += (name.number - midi) % 12
        assert name.at(midi).midi == midi
        assert name.at(midi).pitch_class == name

    @pytest.mark.parametrize(
        ("text", "written"),
        [("e♭", "Eb"), ("F♯", "F#"), (" g ", "G"), ("B♮", "B"), ("Cx", "C##"), ("A♭♭", "Abb"), ("D##", "D##")],
    )
    def test_other_writings(self, text: str, written: str) -> None:
        assert str(PitchClass.parse(text)) == written

    @pytest.mark.parametrize("text", ["", "H", "C###", "C#b", "4", "C4", "Bes"])
    def test_what_is_no_name(self, text: str) -> None:
        with pytest.raises(ValueError, match=r"not a note name: .*; write a letter A to G"):
            PitchClass.parse(text)

    @pytest.mark.parametrize("text", ["", "C", "4", "H4", "C#", "C 4", "C4.5"])
    def test_what_is_no_pitch(self, text: str) -> None:
        with pytest.raises(ValueError, match=r"not a pitch: .*; write a note name and an octave"):
            Pitch.parse(text)

    def test_impossible_names_can_not_be_made(self) -> None:
        with pytest.raises(ValueError, match="letter must be one of CDEFGAB"):
            PitchClass("H")
        with pytest.raises(ValueError, match="alter must be from -2 to 2"):
            Pitch("C", 3, 4)


class TestSpelling:
    @given(MIDI, st.integers(-9, 12))
    def test_keeps_the_sound(self, midi: int, around: int) -> None:
        assert spelled(midi, around).midi == midi

    @given(st.integers(-9, 12))
    def test_twelve_names_in_a_row_of_fifths(self, around: int) -> None:
        places = {spelled(midi, around).pitch_class.fifths for midi in range(60, 72)}
        assert places == set(range(around - 5, around + 7))


class TestTransposing:
    @pytest.mark.parametrize(
        ("start", "steps", "semitones", "end"),
        [("G4", 4, 7, "D5"), ("B4", 1, 1, "C5"), ("F#4", 2, 4, "A#4"), ("C5", -2, -3, "A4"), ("Bb3", 4, 7, "F4")],
    )
    def test_intervals(self, start: str, steps: int, semitones: int, end: str) -> None:
        assert str(Pitch.parse(start).transposed(steps, semitones)) == end

    @given(CLASSES, st.integers(0, 8), st.integers(-14, 14))
    def test_always_moves_by_the_semitones(self, name: PitchClass, octave: int, semitones: int) -> None:
        pitch = Pitch(name.letter, name.alter, octave)
        moved = pitch.transposed(round(semitones * 7 / 12), semitones)
        assert moved.midi - pitch.midi == semitones


def test_a_double_accidental_is_kept_and_a_triple_one_respelled() -> None:
    assert str(Pitch.parse("E#4").transposed(1, 2)) == "F##4"
    assert str(Pitch.parse("Fb4").transposed(-1, -2)) == "Ebb4"
    assert str(Pitch.parse("E##4").transposed(1, 2)) == "Ab4"
