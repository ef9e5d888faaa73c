"""Keys against the ABC standard's table of signatures."""

from __future__ import annotations

import music21
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underbow.theory.key import MODES, Key
from underbow.theory.pitch import FIFTHS, PitchClass

from .. import abc_keys

ROWS = [
    (name, signature, mode)
    for signature, names in abc_keys.SIGNATURES.items()
    for name, mode in zip(names, abc_keys.MODES, strict=True)
]
KEYS = st.sampled_from([Key.parse(name) for name, _, _ in ROWS])


class TestTable:
    def test_is_whole(self) -> None:
        assert len(ROWS) == 15 * 7

    @pytest.mark.parametrize(("name", "signature", "mode"), ROWS)
    def test_row(self, name: str, signature: int, mode: str) -> None:
        key = Key.parse(name)
        assert (key.signature, key.mode) == (signature, mode)
        sharps = [letter for letter in FIFTHS if key.alteration(letter) == 1]
        flats = [letter for letter in FIFTHS if key.alteration(letter) == -1]
        assert sharps == list(FIFTHS[: max(signature, 0)])
        assert flats == list(FIFTHS[7 + min(signature, 0) :])

    @pytest.mark.parametrize(("name", "signature", "mode"), ROWS)
    def test_row_agrees_with_music21(self, name: str, signature: int, mode: str) -> None:
        key = Key.parse(name)
        other = music21.key.Key(str(key.tonic).replace("b", "-"), mode)
        assert other.sharps == signature
        scale = [str(pitch.name).replace("-", "b") for pitch in other.pitches][:7]
        assert [str(note) for note in key.scale] == scale


class TestWritings:
    @pytest.mark.parametrize(
        ("text", "written"),
        [
            ("G", "G"),
            ("Bb", "Bb"),
            ("bb", "Bb"),
            ("G major", "G"),
            ("Gmaj", "G"),
            ("GM", "G"),
            ("G ionian", "G"),
            ("Em", "Em"),
            ("E min", "Em"),
            ("e minor", "Em"),
            ("Eaeo", "Em"),
            ("A dorian", "Ador"),
            ("ADOR", "Ador"),
            ("D Mixolydian", "Dmix"),
            ("D mix", "Dmix"),
            ("F♯m", "F#m"),
            ("B♭ lyd", "Bblyd"),
        ],
    )
    def test_only_three_letters_count(self, text: str, written: str) -> None:
        # ABC standard 2.1, section 3.1.14
        assert str(Key.parse(text)) == written

    @given(KEYS)
    def test_reads_what_it_writes(self, key: Key) -> None:
        assert Key.parse(str(key)) == key

    @pytest.mark.parametrize("text", ["", "H", "Gx", "G blues", "4/4", "G#b", "Gm7", "none"])
    def test_what_is_no_key(self, text: str) -> None:
        with pytest.raises(ValueError, match=r"not a key: .*; write a tonic and a mode, such as G, Em, Ador or Dmix"):
            Key.parse(text)

    @pytest.mark.parametrize("text", ["G#", "D#", "Fb", "Fbm", "Cbloc"])
    def test_more_than_seven_signs(self, text: str) -> None:
        with pytest.raises(ValueError, match="the maximum is 7"):
            Key.parse(text)


class TestScale:
    def test_own_alterations(self) -> None:
        # ABC standard 2.1, section 3.1.14: K:D Phr ^f has the signature B flat, E flat, F sharp
        key = Key(PitchClass("D"), "phrygian", (("F", 1),))
        assert [str(note) for note in key.scale] == ["D", "Eb", "F#", "G", "A", "Bb", "C"]

    @given(KEYS, st.integers(36, 96))
    def test_spelling_keeps_the_sound(self, key: Key, midi: int) -> None:
        assert key.spell(midi).midi == midi

    @given(KEYS)
    def test_the_scale_spells_itself(self, key: Key) -> None:
        for note in key.scale:
            assert key.spell(note.number + 60).pitch_class == note

    @pytest.mark.parametrize(
        ("key", "midi", "name"),
        [
            ("Am", 68, "G#4"),  # the leading note of a minor key
            ("Em", 63, "D#4"),
            ("Gm", 66, "F#4"),
            ("Dm", 61, "C#4"),
            ("C", 66, "F#4"),
            ("C", 70, "Bb4"),
            ("D", 68, "G#4"),
            ("D", 72, "C5"),
            ("Gmix", 61, "C#4"),
            ("Ador", 70, "Bb4"),
            ("F", 71, "B4"),
        ],
    )
    def test_notes_outside_the_scale(self, key: str, midi: int, name: str) -> None:
        # the usual chromatic spelling, raised fourth and lowered second, third, sixth and seventh: common practice, no source
        assert str(Key.parse(key).spell(midi)) == name

    @pytest.mark.parametrize(
        ("key", "minor"), [("G", False), ("Gmix", False), ("Glyd", False), ("Em", True), ("Ador", True), ("Ephr", True)]
    )
    def test_minor_is_the_third(self, key: str, minor: bool) -> None:
        assert Key.parse(key).is_minor is minor

    def test_every_mode_is_known(self) -> None:
        assert len(MODES) == 7
        with pytest.raises(ValueError, match="mode must be one of"):
            Key(PitchClass("G"), "blues")
