"""The reader against the ABC standard 2.1 (Chris Walshaw, December 2011); the clause stands beside each case.

Where the standard leaves something open, the case says whose practice it is.
"""

from fractions import Fraction

import pytest

from underbow.theory.key import Key
from underbow.tune.abc.reader import read_abc
from underbow.tune.tune import Tune
from underbow.tune.written_out import write_out

from ...abc_keys import SIGNATURES


def read(music: str, key: str = "C", meter: str = "4/4", unit: str = "1/8", header: str = "") -> Tune:
    text = f"X:1\nT:t\nM:{meter}\n" + (f"L:{unit}\n" if unit else "") + header + f"K:{key}\n{music}\n"
    (tune,) = read_abc(text)
    return tune


def played(tune: Tune) -> list[int]:
    return [note.midi for note in write_out(tune).notes]


def letters(tune: Tune) -> str:
    return "".join(note.pitch.letter for note in write_out(tune).notes)


def written(tune: Tune) -> list[tuple[int, Fraction]]:
    return [(note.midi, note.length) for measure in tune.measures for note in measure.notes]


def lengths(tune: Tune) -> list[str]:
    return [str(length) for _, length in written(tune)]


def midis(tune: Tune) -> list[int]:
    return [midi for midi, _ in written(tune)]


@pytest.mark.parametrize(
    ("music", "expected"),
    [
        ("a>b c<d", "81 3/4, 83 1/4, 72 1/4, 74 3/4"),  # 4.4
        ("a>>b", "81 7/8, 83 1/8"),
        ("a<<b", "81 1/8, 83 7/8"),
        ("a>>>b", "81 15/16, 83 1/16"),
        ("A<{g}A", "69 1/4, 69 3/4"),  # 4.4: grace notes between are transparent
        ("A{g}<A", "69 1/4, 69 3/4"),
        ("a>.b", "81 3/4, 83 1/4"),  # 4.20 lets a decoration stand before the second note
        ('a>"G"b', "81 3/4, 83 1/4"),
        ("a > b", "81 3/4, 83 1/4"),
        ("z>b", "83 1/4"),
        ("[ac]>b", "81 3/4, 83 1/4"),
        ("(3abc (2ab (4abcd (5abcde",  # 4.13
         "81 1/3, 83 1/3, 72 1/3, 81 3/4, 83 3/4, 81 3/8, 83 3/8, 72 3/8, 74 3/8, 81 1/5, 83 1/5, 72 1/5, 74 1/5, 76 1/5"),
        ("(3:2:2 G4c2 (3::2 A2B (3:2:4 G2A2Bc",
         "67 4/3, 72 2/3, 69 2/3, 71 1/3, 67 2/3, 69 2/3, 71 1/3, 72 1/3"),
        ("(3 abc", "81 1/3, 83 1/3, 72 1/3"),
        ("[C2E2G2]3", "67 3"),  # 4.17: inner times outer length; the top note is the melody
        ("[CEG]6", "67 3"),
        ("[C2E]", "64 1"),  # the chord's length is its first note's
        ("C,', =C, C' c c'", "48 1/2, 48 1/2, 72 1/2, 72 1/2, 84 1/2"),  # 4.1
        ("A2 A/2 A/ A// A3/2 A3/", "69 1, 69 1/4, 69 1/4, 69 1/8, 69 3/4, 69 3/4"),  # 4.3
        ("A/16", "69 1/32"),  # 4.3: down to 1/128
        ("^^F __B =F", "67 1/2, 69 1/2, 65 1/2"),  # 4.2
        ("A y B", "69 1/2, 71 1/2"),  # 6.1.2: no time
        ("A`B # * ; ? @ c", "69 1/2, 71 1/2, 72 1/2"),  # 4.7, 8.1
    ],
)  # fmt: skip
def test_notes_of_the_standard(music: str, expected: str) -> None:
    assert ", ".join(f"{midi} {length}" for midi, length in written(read(music))) == expected


def test_tuplets_in_compound_meter() -> None:
    """4.13: in 6/8 the n of (5, (7 and (9 is 3."""
    tune = read("(2ab (4abcd (5abcde (7abcdefg", meter="6/8")
    assert lengths(tune) == ["3/4"] * 2 + ["3/8"] * 4 + ["3/10"] * 5 + ["3/14"] * 7


@pytest.mark.parametrize(
    ("meter", "unit"),
    [("2/4", "1/4"), ("3/4", "1/2"), ("6/8", "1/2"), ("C", "1/2"), ("C|", "1/2"), ("none", "1/2"), ("3/8", "1/4")],
)
def test_default_unit(meter: str, unit: str) -> None:
    """3.1.7: a sixteenth under 0.75, an eighth from there on (in quarters: 1/4, 1/2)."""
    assert lengths(read("A", meter=meter, unit="")) == [unit]


def test_unit_does_not_change_with_a_later_meter() -> None:
    """3.1.7."""
    assert lengths(read("A4|\nM:2/4\nA4|", unit="")) == ["2", "2"]


@pytest.mark.parametrize(
    ("music", "expected"),
    [
        ("^F F f|F", [66, 66, 78, 65]),  # 11.3 default: all octaves, to the end of the bar
        ("F[K:D]F", [65, 66]),  # 3.2
        ("^F2-|F2 F2", [66, 66, 65]),  # a tie carries the accidental over the bar line (staff convention)
        ("^F [|] F", [66, 66]),  # 4.8: an invisible bar line ends no bar
        ("{^f}F F|F", [66, 66, 65]),  # a grace's accidental counts in its bar (staff convention)
    ],
)
def test_accidentals(music: str, expected: list[int]) -> None:
    assert midis(read(music)) == expected


def test_scope_of_accidentals_is_an_option() -> None:
    """11.3: pitch, octave, not; a directive in the text comes before the option."""
    text = "X:1\nM:4/4\nL:1/8\nK:C\n^F F f|F|\n"
    scopes = {scope: midis(read_abc(text, accidentals=scope)[0]) for scope in ("pitch", "octave", "not")}  # type: ignore[arg-type]
    assert scopes == {"pitch": [66, 66, 78, 65], "octave": [66, 66, 77, 65], "not": [66, 65, 77, 65]}
    assert midis(read_abc("%%propagate-accidentals not\n" + text)[0]) == scopes["not"]
    assert midis(read_abc(text.replace("K:C", "I:propagate-accidentals octave\nK:C"))[0]) == scopes["octave"]


@pytest.mark.parametrize(
    ("key", "music", "expected"),
    [
        ("D", "F =F F|F", [66, 65, 65, 66]),
        ("AMix", "G A c f", [67, 69, 73, 78]),
        ("D Phr ^f", "E F B", [63, 66, 70]),  # 3.1.14: explicit accidentals
        ("D exp _b _e ^f", "E F B C", [63, 66, 70, 60]),
        ("D =c", "F C", [66, 60]),
        ("none", "F C", [65, 60]),
        ("", "F C", [65, 60]),
        ("Hp", "F C G", [66, 61, 67]),
        ("Em", "F", [66]),
        ("e minor", "F", [66]),
        ("EMINOR", "F", [66]),  # only three letters, capitals do not count
        ("C clef=treble-8", "C", [48]),  # 4.6
        ("C octave=1", "C", [72]),
        ("D transpose=-2", "D F", [60, 64]),
    ],
)
def test_keys(key: str, music: str, expected: list[int]) -> None:
    assert midis(read(music, key=key)) == expected


@pytest.mark.parametrize("signature", SIGNATURES)
def test_signatures(signature: int) -> None:
    """The table of 3.1.14."""
    assert {read("C", key=key).key.signature for key in SIGNATURES[signature]} == {signature}


@pytest.mark.parametrize(
    ("music", "expected"),
    [
        ("|:C4|1 D4:|2 E4|]", "CDCE"),  # 4.9
        ("|:C4|[1 D4:|[2 E4|]", "CDCE"),
        ("|:C4| [1 D4:| [2 E4|]", "CDCE"),
        ("C4|1 D4:|2 E4|]", "CDCE"),  # the |: may be missing
        ("|:C4|[1,3 D4:|[2 E4:|[4 F4|]", "CDCECDCF"),  # 4.10
        ("|:C4|[1-3 D4:|[4 E4|]", "CDCDCDCE"),
        ("|:C4|1,3,5-6 D4:|2,4 E4:|", "CDCECDCECDCD"),
        ("|::C4::|D4|", "CCCD"),  # 4.8: three times
        ("C4||D4:|E4|", "CDDE"),  # 4.8: back to the latest double bar
        ("C4:|D4:|E4|", "CCDDE"),  # or to the end of the repeat before
        ("C4|D4:|", "CDCD"),  # or to the start
        ("|:C4::D4:|", "CCDD"),
        ("|:C4:|:D4:|", "CCDD"),
        ("|:C4:||:D4:|", "CCDD"),
        ("||:C4:||", "CC"),  # be liberal
        ("|:C4:]D4|", "CCD"),
        ("A|]C4:|", "ACC"),
        ("|:C4|1 D4:|2 E4:|F4|", "CDCEF"),  # a last ending closed by :| is not played again
        ("|:C4||D4:|", "CDCD"),  # a double bar inside |: :| is no place to go back to
        ("A4|1 B4|2 C4|]", "ABAC"),
    ],
)
def test_repeats(music: str, expected: str) -> None:
    assert letters(read(music)) == expected


@pytest.mark.parametrize(
    ("order", "expected"),
    [("ABA", "CDC"), ("A2B", "CCD"), ("(AB)2", "CDCD"), ("((AB)2.A)2", "CDCDCCDCDC"), ("BA", "DC")],
)
def test_order_of_parts(order: str, expected: str) -> None:
    """3.1.9."""
    assert letters(read("P:A\nC4|\nP:B\nD4|", header=f"P:{order}\n")) == expected


def test_a_tune_in_nine_parts_with_inline_fields() -> None:
    """13.1, sample 3: P:(AB)2(AC)2A with the parts, the meters and the units given inline (notes of our own)."""
    body = '[P:A]"G"D|G3 B3:|\n[P:B][M:4/4][L:1/4]"D"d2 A2|\n[P:C][M:3/8][L:1/8]"C"c3|'
    (tune,) = read_abc(f"X:1\nT:Parts\nP:(AB)2(AC)2A\nM:6/8\nL:1/8\nK:G\n{body}\n")
    melody = write_out(tune)
    assert [section.name for section in melody.sections] == list("AABAABAACAACAA")
    assert letters(tune) == "DGBDGBDA" * 2 + "DGBDGBC" * 2 + "DGBDGB"
    assert [str(measure.meter) for measure in tune.measures] == ["6/8", "6/8", "4/4", "3/8"]


def test_rests_over_whole_bars() -> None:
    """4.5: Z4 rests four bars."""
    tune = read("C4 C4|Z2|D8|")
    assert [bar.number for bar in write_out(tune).bars] == [1, 2, 3, 4]
    assert write_out(tune).notes[-1].start == 12


def test_ties_join_and_slurs_do_not() -> None:
    """4.11."""
    melody = write_out(read("c4-|c2 (d e) f|"))
    assert [(note.midi, str(note.length), note.slurred) for note in melody.notes] == [
        (72, "3", False), (74, "1/2", False), (76, "1/2", True), (77, "1/2", False),
    ]  # fmt: skip
    nested = write_out(read("(c d (e) f g a)"))
    assert [note.slurred for note in nested.notes] == [False, True, True, True, True, True]


def test_bow_marks_graces_and_ornaments_are_kept() -> None:
    """4.12, 4.14, 4.16."""
    notes = read("vA uB {gf}c ~d !trill!e .f !upbow!!accent!g").measures[0].notes
    assert [note.bow for note in notes] == ["d", "u", "", "", "", "", "u"]
    assert [pitch.letter for pitch in notes[2].graces] == ["G", "F"]
    assert [note.marks for note in notes[3:]] == [("roll",), ("trill",), ("staccato",), ("accent",)]


def test_user_symbols() -> None:
    """4.16: U: gives a letter its meaning."""
    tune = read("WA", header="U:W = !upbow!\n")
    assert tune.measures[0].notes[0].bow == "u"
    assert read("TA", header="U:T = !nil!\n").measures[0].notes[0].marks == ()


def test_chord_symbols_annotations_and_fingerings() -> None:
    """4.18 and 4.19: a symbol begins with a letter; ^ _ < > @ begin words for print."""
    tune = read('"G"A2 "^slow"B2 "4"c2 "Am7/G"d2|"_C"e4 "N.C."f4|"D(Em)"g8|')
    assert [(str(s.start), str(s.chord)) for s in write_out(tune).chords] == [
        ("0", "G"),
        ("3", "Am7/G"),
        ("6", "None"),
        ("8", "D"),
    ]


def test_chord_in_force_until_the_next() -> None:
    """Players expect a symbol to hold over the bar line until the next one (common practice; 2.1 does not say)."""
    tune = read('"G"c8|c8|c4 "D"c4|c8|')
    assert [(str(s.start), str(s.length), str(s.chord)) for s in write_out(tune).chords] == [
        ("0", "10", "G"),
        ("10", "6", "D"),
    ]


@pytest.mark.parametrize(
    ("tempo", "expected"),
    [
        ("1/2=120", "1/2 = 120"),  # 3.1.8
        ("3/8=50", "3/8 = 50"),
        ("1/4 3/8 1/4 3/8=40", "5/4 = 40"),
        ('"Allegro" 1/4=120', "1/4 = 120"),
        ('3/8=50 "Slowly"', "3/8 = 50"),
        ("120", "1/8 = 120"),  # 10.1: unit note lengths a minute
        ("C=120", "1/8 = 120"),
        ("C3=120", "3/8 = 120"),
        ('"Andante"', "None"),
    ],
)
def test_tempos(tempo: str, expected: str) -> None:
    assert str(read("C", header=f"Q:{tempo}\n").tempo) == expected


def test_comments_continuations_and_fields_between() -> None:
    """2.2.5, 3, 6.1.1: a comment is no empty line; a backslash joins lines over a field."""
    tune = read("CD % first\n% nothing\n%%staves 1\nE \\ % joined\nL:1/4\nF|G", header="N:50\\% \n")
    assert letters(tune) == "CDEFG"
    assert lengths(tune) == ["1/2", "1/2", "1/2", "1", "1"]
    assert [str(fault) for fault in tune.passed_over] == [
        "line 9, column 1: tune 1: %%staves doesn't affect the melody"
    ]


def test_a_bar_line_torn_by_a_continuation() -> None:
    """6.1.1: ||\\ and :c make ||:c, but |\\ and |c are two plain bar lines."""
    assert letters(read("A4||\\\n:c4:|")) == "ACC"
    assert letters(read("A4|B4|\\\n|c4:|")) == "ABCABC"
    assert letters(read("|:A4|\\\n1 B4:|2 c4|")) == "ABAC"


def test_reserved_exclamation_marks() -> None:
    """12.2: ! is a decoration only if another ! comes before any of |[:], space or the end of the line."""
    assert letters(read("A!B|c!d|!trill!e!")) == "ABCDE"


def test_source_places_survive_continuations() -> None:
    """Every note knows its place in the text, also on joined lines and inside brackets."""
    text = "X:1\nM:4/4\nL:1/8\nK:C\n|:C2 ^D,/ \\\n  E'3/2 \\\n[CEG]2 {a}f|\n"
    (tune,) = read_abc(text)
    pieces = [text[note.source[0] : note.source[1]] for m in tune.measures for note in m.notes if note.source]
    assert pieces == ["C2", "^D,/", "E'3/2", "[CEG]2", "f"]


def test_first_voice_of_several() -> None:
    """7: further voices are left out and noted; an overlay (7.4) too."""
    tune = read("V:1\nC4 & E4|\nV:2\nG,8|\nV:1\nD8|\n[V:2] A,8|[V:1] E8|", header="V:1\nV:2\n")
    assert letters(tune) == "CDE"
    assert any("voice 2" in fault.what for fault in tune.passed_over)


def test_key_inside_the_bar_and_of_the_measure() -> None:
    tune = read("C4|[K:G] F4|F2 [K:F] B2|B4|")
    assert [str(measure.key) for measure in tune.measures] == ["C", "G", "G", "F"]
    assert midis(tune) == [60, 66, 66, 70, 70]
    assert tune.measures[3].key == Key.parse("F")


@pytest.mark.parametrize(
    ("key", "letter", "alter"),
    [("Dm^c", "C", 1), ("D=c", "C", 0), ("Dmaj=c", "C", 0), ("Dm^c_e", "E", -1), ("D exp_b^f", "B", -1), ("D exp_b^f", "F", 1),
     ("D exp_b^f", "C", 0), ("Bb_e=a", "A", 0), ("D middle=B", "B", 0), ("D clef=C", "C", 1)],
)  # fmt: skip
def test_accidentals_of_a_key_need_no_space(key: str, letter: str, alter: int) -> None:
    """3.1.14 wants none between the key and its accidentals; settings such as middle= are no accidentals (4.6)."""
    (tune,) = read_abc(f"X:1\nM:4/4\nL:1/4\nK:{key}\nABcd|\n")
    assert tune.key.alteration(letter) == alter
    assert not [fault for fault in tune.told if "no key" in fault.what]


@pytest.mark.parametrize(
    ("music", "order"),
    [
        ("d|:|||:cdef|gabc':|", [0, 1, 2, 1, 2]),  # a repeat begins, and begins: nothing ends there
        ("d|:|:cdef|gabc':|", [0, 1, 2, 1, 2]),
        ("cdef:|:|:gabc':|", [0, 0, 1, 1]),
        ('|:cdef|1 gabc:|2 fedc|["Coda" c4|]', [0, 1, 0, 2, 3]),  # an ending has a number (4.10): played straight on
        ('|:cdef|1 gabc:|["^Coda" c4|]', [0, 1, 0, 2]),
    ],
)
def test_bar_lines_and_brackets_that_the_standard_leaves_open(music: str, order: list[int]) -> None:
    """4.8 asks for a liberal reading of bar lines; 4.10 has endings with numbers alone."""
    (tune,) = read_abc(f"X:1\nM:4/4\nL:1/4\nK:C\n{music}\n")
    assert list(tune.order) == order


@pytest.mark.parametrize(
    ("music", "midi"),
    [
        ("A2|cdef&CDEF|c4|]", [69, 72, 74, 76, 77, 72]),
        ("cdef&CDEF&EFGA|c4|]", [72, 74, 76, 77, 72]),
        ("g2f2|e3e|\n&&(d4|c3)c|g4|]", [79, 77, 76, 76, 79]),  # the second example of 7.4: back by two bar lines
        ("c4|(&d4|e4 & f4|g4 &)|a4|]", [72, 74, 76, 81]),
        ("c4|(&d4|e4 &)|a4|]", [72, 74, 76, 81]),
        (
            "c4|(&d4|e4 & f4|g4 :|a4|b4 & c4|d4|]",
            [72, 74, 76, 72, 74, 76, 81, 83, 74],
        ),  # not closed: up to the repeat sign
    ],
)
def test_overlays_of_one_bar_and_of_several(music: str, midi: list[int]) -> None:
    """7.4: each & goes back by one bar line, and what follows is a second voice; (& and &) are no part of the standard."""
    (tune,) = read_abc(f"X:1\nM:4/4\nL:1/4\nK:C\n{music}\n")
    assert [note.midi for note in write_out(tune).notes] == midi


# Section 5.1, aligned lyrics: - ends a syllable inside a word, _ holds one, * leaves a note out, ~ is a space, \- a hyphen,
# | goes to the next bar; a hyphen after a space or another hyphen takes a note of its own; several w: lines are verses.
LYRICS = [
    (r"w:Wet socks on~the stile", ["Wet", "socks", "on the", "stile", "", "", "", ""]),
    (r"w:kit-ten time__ * a\-way", ["kit-", "ten", "time", "_", "_", "", "a-way", ""]),
    (r"w:one | two - three", ["one", "", "", "", "two", "_", "three", ""]),
    (r"w:so--- long |", ["so-", "_", "_", "long", "", "", "", ""]),
]


@pytest.mark.parametrize(("line", "sung"), LYRICS)
def test_words_lie_under_their_notes(line: str, sung: list[str]) -> None:
    tune = read(f"GABc | d z def2 |\n{line}\nG4 z4 |", unit="1/4", meter="4/4")
    notes = [note for measure in tune.measures for note in measure.notes]
    assert [(*note.words, "")[0] for note in notes] == [*sung, ""]


def test_verses_follow_each_other_and_words_without_a_note_are_told() -> None:
    tune = read(
        "GA Bc |\\\n d2 z2 |\nw:one two three four five\nw:* zwei\nw:too ma-ny words for notes, a-las", unit="1/4"
    )
    notes = [note for measure in tune.measures for note in measure.notes]
    assert [note.words for note in notes[:3]] == [("one", "", "too"), ("two", "zwei", "ma-"), ("three", "", "ny")]
    assert ["no note is left for the words 'notes, a-las'; left out" in str(fault) for fault in tune.passed_over] == [
        True
    ]
