"""Chords against mir_eval's encodings, and the many ways to write one."""

from __future__ import annotations

import mir_eval
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underbow.theory.chord import DEGREES, QUALITIES, Chord, _plain
from underbow.theory.pitch import LETTERS, PitchClass

ROOTS = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
# Our name of a quality -> the shorthand of mir_eval.chord (Harte, 2010), every one that it knows but the bare root.
SHORTHANDS = {
    "": "maj",
    "m": "min",
    "aug": "aug",
    "dim": "dim",
    "sus4": "sus4",
    "sus2": "sus2",
    "7": "7",
    "maj7": "maj7",
    "m7": "min7",
    "mmaj7": "minmaj7",
    "6": "maj6",
    "m6": "min6",
    "dim7": "dim7",
    "m7b5": "hdim7",
    "maj9": "maj9",
    "m9": "min9",
    "9": "9",
    "m11": "min11",
    "11": "11",
    "maj13": "maj13",
    "m13": "min13",
    "13": "13",
    "5": "5",
}
LEAVE_OUT_THE_11 = {"13", "m13", "maj13"}  # common practice, no source; Harte's shorthands keep it
CHORDS = st.builds(
    Chord,
    st.builds(PitchClass, st.sampled_from(LETTERS), st.integers(-1, 1)),
    st.sampled_from(sorted(QUALITIES)),
    st.none() | st.builds(PitchClass, st.sampled_from(LETTERS), st.integers(-1, 1)),
)


def bitmap(chord: Chord) -> list[int]:
    """Semitones above the root that sound, a foreign bass with them, as mir_eval.chord.encode gives them."""
    sounding = {(number - chord.root.number) % 12 for number in (*chord.numbers, chord.lowest.number)}
    return [int(semitone in sounding) for semitone in range(12)]


class TestAgainstMirEval:
    def test_every_shorthand_is_known(self) -> None:
        assert set(SHORTHANDS.values()) == set(mir_eval.chord.QUALITIES) - {"1", ""}

    @pytest.mark.parametrize("root", ROOTS)
    @pytest.mark.parametrize(("quality", "shorthand"), SHORTHANDS.items())
    def test_shorthands(self, root: str, quality: str, shorthand: str) -> None:
        number, expected, bass = mir_eval.chord.encode(f"{root}:{shorthand}", reduce_extended_chords=True)
        if quality in LEAVE_OUT_THE_11:
            expected[5] = 0
        chord = Chord.parse(root + quality)
        assert (chord.root.number, bitmap(chord), bass) == (number, list(expected), 0)

    @pytest.mark.parametrize("root", ROOTS)
    @pytest.mark.parametrize("quality", QUALITIES)
    def test_degrees(self, root: str, quality: str) -> None:
        chord = Chord.parse(root + quality)
        label = f"{root}:({','.join(chord.degrees)})"
        number, expected, _ = mir_eval.chord.encode(label, reduce_extended_chords=True)
        assert (chord.root.number, bitmap(chord)) == (number, list(expected))

    @pytest.mark.parametrize("degree", DEGREES)
    def test_semitones_of_a_degree(self, degree: str) -> None:
        assert DEGREES[degree] == mir_eval.chord.scale_degree_to_semitone(degree)

    @pytest.mark.parametrize("root", ROOTS)
    @pytest.mark.parametrize("degree", ["b2", "2", "b3", "3", "4", "b5", "5", "#5", "6", "b7", "7"])
    @pytest.mark.parametrize("quality", ["", "m", "7"])
    def test_slash_bass(self, root: str, degree: str, quality: str) -> None:
        number = PitchClass.parse(root).number + mir_eval.chord.scale_degree_to_semitone(degree)
        bass = PitchClass.at_fifths(number * 7 % 12)
        chord = Chord.parse(f"{root}{quality}/{bass}")
        _, expected, above = mir_eval.chord.encode(f"{root}:{SHORTHANDS[quality]}/{degree}")
        assert bitmap(chord) == list(expected)
        assert (chord.lowest.number - chord.root.number) % 12 == above


class TestSpelling:
    @pytest.mark.parametrize(
        ("symbol", "tones"),
        [
            ("G", "G B D"),
            ("D7", "D F# A C"),
            ("Cm", "C Eb G"),
            ("F#m7b5", "F# A C E"),
            ("Bdim7", "B D F Ab"),
            ("Caug", "C E G#"),
            ("E7#9", "E G# B D F##"),
            ("Bb6", "Bb D F G"),
            ("A9", "A C# E G B"),
            ("Ebmaj7", "Eb G Bb D"),
            ("G#", "G# B# D#"),
        ],
    )
    def test_thirds_on_thirds(self, symbol: str, tones: str) -> None:
        # harmony textbooks stack thirds on every other letter; from memory
        assert " ".join(map(str, Chord.parse(symbol).tones)) == tones

    @given(CHORDS)
    def test_names_sound_as_the_numbers(self, chord: Chord) -> None:
        assert tuple(tone.number for tone in chord.tones) == chord.numbers

    @given(CHORDS, st.integers(-6, 6))
    def test_transposing_moves_every_note_alike(self, chord: Chord, fifths: int) -> None:
        moved = chord.transposed(fifths)
        assert moved.quality == chord.quality
        assert moved.numbers == tuple((number + 7 * fifths) % 12 for number in chord.numbers)
        assert (moved.lowest.number - chord.lowest.number - 7 * fifths) % 12 == 0

    @given(CHORDS)
    def test_minor_is_the_third(self, chord: Chord) -> None:
        assert chord.is_minor == ((chord.root.number + 3) % 12 in chord.numbers and "b3" in chord.degrees)


class TestTheTable:
    @pytest.mark.parametrize("quality", QUALITIES)
    def test_row_is_in_order_from_the_root(self, quality: str) -> None:
        degrees = QUALITIES[quality][0].split()
        assert degrees[0] == "1"
        letters = [int(degree.lstrip("b#")) for degree in degrees]
        assert letters == sorted(letters)
        assert set(degrees) <= DEGREES.keys()

    @pytest.mark.parametrize(("below", "added"), [("7", "11"), ("m7", "11"), ("7", "13"), ("", "9"), ("m", "9")])
    def test_what_is_added_is_all_that_is_added(self, below: str, added: str) -> None:
        # harmony textbooks, from memory: "add" brings one note and takes none away, unlike sus or a full eleventh
        assert Chord.parse(f"C{below}add{added}").degrees == (*Chord.parse(f"C{below}").degrees, added)

    def test_no_two_rows_have_the_same_notes(self) -> None:
        rows = [degrees for degrees, _ in QUALITIES.values()]
        assert sorted(rows) == sorted(set(rows))

    def test_no_writing_means_two_things(self) -> None:
        meant: dict[str, str] = {}
        for quality, (_, others) in QUALITIES.items():
            for writing in {*(quality, *others), *map(_plain, (quality, *others))}:
                assert meant.setdefault(writing, quality) == quality, writing

    @pytest.mark.parametrize("quality", QUALITIES)
    def test_every_writing_is_read(self, quality: str) -> None:
        for writing in (quality, *QUALITIES[quality][1]):
            symbol = f"D({writing})" if writing.startswith("#") else f"F#{writing}"  # D#5 is a fifth on D sharp
            assert Chord.parse(symbol).quality == quality, writing


class TestWritings:
    @given(CHORDS)
    def test_reads_what_it_writes(self, chord: Chord) -> None:
        assert Chord.parse(str(Chord.parse(str(chord)))) == Chord.parse(str(chord))
        plain = chord if chord.bass != chord.root else Chord(chord.root, chord.quality)
        assert Chord.parse(str(plain)) == plain

    @pytest.mark.parametrize(
        ("written", "meant"),
        [
            # ABC standard 2.1, section 4.18: m or min, maj, dim, aug or +, sus, 7, 9; a bass in either case; ♭ ♮ ♯
            ("Gmin", "Gm"),
            ("Gmaj", "G"),
            ("Gmaj7", "Gmaj7"),
            ("G+", "Gaug"),
            ("Gsus", "Gsus4"),
            ("A♭", "Ab"),
            ("F♯m", "F#m"),
            ("B♭7/D", "Bb7/D"),
            ("C/e", "C/E"),
            ("G/b", "G/B"),
            ("Gm/bb", "Gm/Bb"),
            ("G(Em)", "G"),
            # the Nottingham collection's own signs: d diminished, a augmented, + after a bass for sharp
            ("Gd", "Gdim"),
            ("Bbd", "Bbdim"),
            ("Ca", "Caug"),
            ("D/f+", "D/F#"),
            ("Am/g+", "Am/G#"),
            # lead sheets: common practice, no source
            ("C-", "Cm"),
            ("C-7", "Cm7"),
            ("CMI7", "Cm7"),
            ("Cmi", "Cm"),
            ("CM7", "Cmaj7"),
            ("CMaj7", "Cmaj7"),
            ("CMA9", "Cmaj9"),
            ("C△", "Cmaj7"),
            ("CΔ7", "Cmaj7"),
            ("C^7", "Cmaj7"),
            ("C°", "Cdim"),
            ("Co7", "Cdim7"),
            ("Cø", "Cm7b5"),
            ("CØ7", "Cm7b5"),
            ("Cm7(♭5)", "Cm7b5"),
            ("C-7b5", "Cm7b5"),
            ("Cmin(maj7)", "Cmmaj7"),
            ("CmM7", "Cmmaj7"),
            ("C-M7", "Cmmaj7"),
            ("C7-5", "C7b5"),
            ("C7+5", "C7#5"),
            ("C+7", "C7#5"),
            ("C7(b9)", "C7b9"),
            ("C7+9", "C7#9"),
            ("C7(b9,#5)", "C7#5b9"),
            ("C7alt", "C7#5#9"),
            ("C6/9", "C6/9"),
            ("C6/9/G", "C6/9/G"),
            ("C69", "C6/9"),
            ("C/9", "Cadd9"),
            ("Cadd2", "Cadd9"),
            ("Cm(add9)", "Cmadd9"),
            ("CMadd9", "Cadd9"),
            ("C7SUS", "C7sus4"),
            ("C7 sus4", "C7sus4"),
            ("C(no3)", "C5"),
            ("(E7)", "E7"),
            ("G(7)", "G7"),
            (" Am ", "Am"),
            ("C/C", "C"),
        ],
    )
    def test_as_people_write_them(self, written: str, meant: str) -> None:
        assert str(Chord.parse(written)) == meant

    @pytest.mark.parametrize(
        ("text", "cure"),
        [
            ("", "write one such as G, Am, D7, F#m7 or C/E"),
            ("X", "write one such as G, Am, D7, F#m7 or C/E"),
            ("Coda", "write one such as G, Am, D7, F#m7 or C/E"),
            ("D.C.", "write one such as G, Am, D7, F#m7 or C/E"),
            ("Fine", "write one such as G, Am, D7, F#m7 or C/E"),
            ("C/E/G", "write one such as G, Am, D7, F#m7 or C/E"),
            ("G7x", "write one such as G, Am, D7, F#m7 or C/E"),
            ("am", "the root is a capital letter, such as Am"),
            ("f#m7", "the root is a capital letter, such as F#m7"),
            ("Hm", "the German H is B here: write Bm"),
            ("Hq", "write one such as G, Am, D7, F#m7 or C/E"),
            ("B flat", "write Bb for B flat"),
            ("Sharp", "write F# for F sharp"),
        ],
    )
    def test_what_is_no_chord(self, text: str, cure: str) -> None:
        with pytest.raises(ValueError, match="not a chord") as told:
            Chord.parse(text)
        assert str(told.value) == f"not a chord: {text!r}; {cure}"

    @given(st.text("ABCDEFGHabdgijmnosu#b+-°ø△()/^ 0123456789", max_size=14))
    def test_any_text_is_read_or_refused(self, text: str) -> None:
        try:
            chord = Chord.parse(text)
        except ValueError:
            return
        assert Chord.parse(str(chord)) == chord

    def test_an_unknown_quality_can_not_be_made(self) -> None:
        with pytest.raises(ValueError, match="unknown chord quality 'blue'"):
            Chord(PitchClass("C"), "blue")
