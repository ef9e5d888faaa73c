"""What fiddlers really type: slips are read as meant, and told with their place."""

from pathlib import Path

import pytest

from underbow.errors import InputError
from underbow.tune.abc.builder import MOST_WRITTEN
from underbow.tune.abc.reader import read_abc
from underbow.tune.source import load_tune
from underbow.tune.tune import Tune
from underbow.tune.written_out import write_out

TRACKS = Path(__file__).parents[3] / "tracks"


def read(text: str) -> Tune:
    (tune,) = read_abc(text)
    return tune


def told(tune: Tune) -> str:
    return "\n".join(map(str, tune.told))


def letters(tune: Tune) -> str:
    return "".join(note.pitch.letter for note in write_out(tune).notes)


def test_a_tune_as_a_new_user_types_it() -> None:
    """No L:, no M:, no |:, a bar line forgotten: 4/4 in eighths, AABB, eight bars a section played."""
    text = """T: First try
K: D
dfaf gfed | cdef gfga | dfaf gfed ceag f2d2 :|
fafd gbge | fafd edcA | fafd gbge faec d4 :|
"""
    tune = read(text)
    melody = write_out(tune)
    assert (str(tune.meter), tune.free, tune.title) == ("4/4", True, "First try")
    assert [section.name for section in melody.sections] == list("AABB")
    assert [bar.length for bar in melody.bars[:3]] == [4, 4, 4]
    assert "no M: line" in told(tune)


def test_a_forgotten_bar_line_is_put_in() -> None:
    tune = read("X:1\nM:2/4\nL:1/8\nK:D\ndf af|gf ed ce ag|f2 d2|]\n")
    assert [bar.length for bar in write_out(tune).bars] == [2, 2, 2, 2]
    assert told(tune) == "line 5, column 7: tune 1: a bar of 2 times its meter; the missing bar lines were added"


def test_no_bar_lines_at_all() -> None:
    tune = read("X:1\nM:3/4\nL:1/4\nK:G\nG B d e d B c A F G3\n")
    assert [bar.length for bar in write_out(tune).bars] == [3, 3, 3, 3]


def test_the_unit_that_the_bars_show() -> None:
    """Without L: 2/4 counts sixteenths (3.1.7), yet these bars are plainly in eighths."""
    tune = read("X:1\nM:2/4\nK:D\ndf af|gf ed|ce ag|f2 d2|]\n")
    assert [bar.length for bar in write_out(tune).bars] == [2, 2, 2, 2]
    assert told(tune) == "tune 1: no L: line; the bars fit M:2/4 with L:1/8, which was taken"


def test_short_and_long_bars_are_told_with_their_number() -> None:
    tune = read("X:7\nM:4/4\nL:1/8\nK:D\nA2|d8|d7|d8|d9|d6|]\n")
    assert told(tune).split("\n") == [
        "line 5, column 7: tune 7: bar 2 is too short: it holds 7/8, the meter is 4/4",
        "line 5, column 13: tune 7: bar 4 is too long: it holds 9/8, the meter is 4/4",
    ]


def test_a_pickup_and_the_bar_that_it_completes_are_not_told() -> None:
    assert not told(read("X:1\nM:4/4\nL:1/8\nK:D\nA2|:d8|d6 A2|d8|d6:|\nf2|:d8|d6:|\n"))


@pytest.mark.parametrize(
    ("music", "notes", "says"),
    [
        ("|:A4|B4|]\n|:C4:|", "ABABCC", "|: while the |: before it has no :|"),
        ("A4:|\n:c4:|", "AACC", "':' after a bar line was read as |:"),
        ("|:A4| 1 B4:| 2 c4|]", "ABAC", "away from its bar line"),
        ("|:A4|B4:|2 c4|]", "ABAC", "a second ending without a first one"),
        ("A4 [2 B4|", "AB", "stands inside a bar"),
        ("[ACE|B4|", "ACEB", "[ without a ] before the bar line"),
        ("A4 ]2 B4|", "AB", "] without the [ of a chord"),
        ("A4 } B4|", "AB", "a } without its {"),
        ('A4 "B4|', "AB", 'a " without its pair'),
        ("A4> |", "A", ""),
        ("> A4", "A", "no two notes"),
        ("A2>B B2", "ABB", "unequal length; they are played as written"),
        ("A2-B2", "AB", "a tie between different notes; read as a slur"),
        ("(A2 B2", "AB", "a slur that does not end"),
        ("A2 B2)", "AB", "a slur ends where none began"),
        ("A4 7 B4|", "AB", "the number '7' belongs to no note"),
        ('"Hm"A4 B4|', "AB", "not a chord: 'Hm'; the German H is B here: write Bm; read as words"),
        ('"B flat"A4 B4|', "AB", "not a chord: 'B flat'; write Bb for B flat; read as words"),
        ('"g"A4 B4|', "AB", "not a chord: 'g'; the root is a capital letter, such as G; read as words"),
        ("A99999 B4", "AB", "isn't a playable note"),
        ("A/0 B4", "AB", "isn't a playable note"),
        ("(1AB", "AB", "isn't a playable tuplet"),
        ("(3(3ABc", "ABC", "a tuplet inside another"),
        ("+CE+ A4", "EA", "read as a chord of notes"),
        ("A2 e/f\n/ A2", "AEFA", "at the start of a line; read as the length"),
        ("A2 =3DB2|=20\nc2 =\nd2", "ABCD", "come from a mail program"),
        ("A4 é B4", "AB", "makes no sense here"),
        ("K:H\nA4", "A", "'H' isn't a key or mode"),
        ("K:D ^h\nA4", "A", "'^h' isn't a key or mode; read as D"),
        ('|:A4|1B4:|2A4:|["Coda"B4|]', "ABAAB", "with the words 'Coda' in place of a number is no ending"),
        ("A4|(&B4|A4 & D4|E4 &)|C4|]", "ABAC", "(& ... &) is not in the standard; its first voice is the melody"),
        ("A4|B4 &) A4|]", "ABA", "&) without a (& before it"),
        ("M:5/7\nA4", "A", "a meter's unit must be"),
        ("L:x\nA4", "A", "not a note length"),
        ("Q:fast\nA4", "A", "not a tempo"),
    ],
)
def test_slips(music: str, notes: str, says: str) -> None:
    """Each slip is read as meant; the fault has a line."""
    tune = read(f"X:1\nM:4/4\nL:1/8\nK:C\n{music}\n")
    assert letters(tune) == notes
    assert says in told(tune)
    assert all(fault.line is not None for fault in tune.told if says and says in fault.what)


@pytest.mark.parametrize("words", ["slow", "Bass", "A part", "End", "Dad", "Be", "^g", "_Hm", "<b", "dim.", "2", "f"])
def test_words_over_a_note_are_no_slip(words: str) -> None:
    tune = read(f'X:1\nM:4/4\nL:1/8\nK:C\n"{words}"A4 B4|\n')
    assert tune.told == ()
    assert write_out(tune).chords == ()


def test_lengths_torn_from_their_notes() -> None:
    tune = read("X:1\nM:4/4\nL:1/8\nK:C\nA2 e/f\n/ [Ac\n2]B|\n")
    assert [str(note.length) for note in tune.measures[0].notes] == ["1", "1/4", "1/4", "1/2", "1/2"]


def test_strict_turns_what_was_assumed_into_errors() -> None:
    text = "X:3\nM:4/4\nL:1/8\nK:C\nA2>B B2|c7|\n"
    with pytest.raises(InputError) as caught:
        read_abc(text, file="tunes.abc", strict=True)
    assert str(caught.value).split("\n") == [
        "tunes.abc:5:3: tune 3: > between notes of unequal length; they are played as written",
        "tunes.abc:5:9: tune 3: bar 1 is too short: it holds 7/8, the meter is 4/4; a rest fills it",
    ]
    read_abc("%%scale 0.7\nX:1\nM:4/4\nL:1/8\nK:C\nc8|\n", strict=True)  # what is passed over is no fault


def test_letters_that_name_sections_are_no_chords() -> None:
    tune = read('X:1\nM:4/4\nL:1/8\nK:D\n"A" d8|d8||"B" e8|e8|]\n')
    assert not write_out(tune).chords
    assert [section.name for section in write_out(tune).sections] == ["A", "B"]


def test_da_capo_al_fine() -> None:
    """Fine is the word, the mark, or a fermata over a bar line; the repeats are not played again."""
    for fine in ('"Fine"|]', "!fine!|]", "H|]"):
        tune = read(f"X:1\nM:4/4\nL:1/8\nK:C\n|:A8|B8:| c8 {fine} d8|e8 !D.C.!|]\n")
        assert letters(tune) == "ABABCDEABC", fine
    assert letters(read('X:1\nM:4/4\nL:1/8\nK:C\nA8|S|B8"Fine"|c8|d8 "D.S. al Fine"|]\n')) == "ABCDB"
    assert letters(read("X:1\nM:4/4\nL:1/8\nK:C\nA8|B8 O|c8|d8 !D.C.alcoda!|O e8|]\n")) == "ABCDABE"


def test_da_capo_without_fine_is_told_and_left() -> None:
    tune = read('X:1\nM:4/4\nL:1/8\nK:C\nA8|B8 "D.C."|]\n')
    assert letters(tune) == "AB"
    assert "D.C. without Fine" in told(tune)


def test_quoted_words_can_be_left_alone() -> None:
    (tune,) = read_abc('X:1\nM:4/4\nL:1/8\nK:C\nA8"Fine"|B8 "D.C."|]\n', jumps=False)
    assert letters(tune) == "AB"


def test_sections_that_a_last_ending_would_swallow() -> None:
    """|1 :|2 and then a new section without a double bar between."""
    tune = read("X:1\nM:4/4\nL:1/8\nK:C\n|:A8|B8|1 c8:|2 d8|\ne8|f8|g8|a8|b8:|\n")
    assert letters(tune) == "ABCABDEFGABEFGAB"
    assert [section.name for section in write_out(tune).sections] == list("AABB")


def test_what_a_word_processor_makes_of_it() -> None:
    """Curly quotes and apostrophes, dashes for ties, spaces before the fields."""
    tune = read("  X:1\n  T: Typed\n  M: 4/4\n  L: 1/8\n  K: D\n|: “G”d4–d2 c’2|”A7”e8 :|\n")
    assert (tune.title, str(tune.key), told(tune)) == ("Typed", "D", "")
    assert [note.midi for note in write_out(tune).notes][:3] == [74, 85, 76]
    assert [str(span.chord) for span in write_out(tune).chords][:2] == ["G", "A7"]


def test_several_tunes_free_text_and_a_missing_empty_line() -> None:
    tunes = read_abc(
        "A book\n\nX:1\nT:a\nK:C\nC4|\nX:2\nT:b\nK:C\nD4|\n\nsome words | in between\n\nX:3\nT:c\nK:C\nE4|"
    )
    assert [(tune.number, tune.title, letters(tune)) for tune in tunes] == [(1, "a", "C"), (2, "b", "D"), (3, "c", "E")]


def test_an_empty_line_before_the_music() -> None:
    assert letters(read("X:1\nT:a\nK:C\n\nC4|D4|\n")) == "CD"


def test_file_header_sets_defaults() -> None:
    """2.2.2."""
    (tune,) = read_abc("M:3/4\nL:1/4\nC:Trad.\n\nX:1\nT:a\nK:C\nC3|\n")
    assert (str(tune.meter), tune.measures[0].length, tune.composer) == ("3/4", 3, "Trad.")


def test_limits_refuse_and_keep_the_other_tunes() -> None:
    text = f"X:1\nT:endless\nK:C\n{'C' * (MOST_WRITTEN + 1)}|\n\nX:2\nT:short\nK:C\nD8|\n"
    endless, short = read_abc(text)
    assert endless.measures == ()
    assert told(endless) == f"tune 1: more than {MOST_WRITTEN} notes in one tune; divide it into several"
    assert letters(short) == "D"
    with pytest.raises(InputError, match="more than 100000 notes"):
        load_tune(text, number=1)


def test_what_is_told_stays_short_however_long_a_number_is() -> None:
    (tune,) = read_abc(f"X: 9{'A' * 3000}\nGABc|d4|\n")
    assert tune.told
    assert all(len(str(fault)) < 200 for fault in tune.told)


def test_repeats_without_end_are_refused() -> None:
    (tune,) = read_abc("X:1\nP:((((A999)99)99)99)\nM:4/4\nL:1/8\nK:C\nP:A\nC8|\n")
    assert "longer than 1000 parts" in told(tune)
    bars = "C8|" * 300
    (tune,) = read_abc(f"X:1\nM:4/4\nL:1/8\nK:C\n|:{bars}[1-99 D8:|\n")
    assert tune.order == ()
    assert "more than 20000 bars when its repeats are written out" in told(tune)


@pytest.mark.parametrize("path", sorted(TRACKS.glob("*.abc")), ids=lambda path: path.stem)
def test_shipped_tunes_are_read_without_a_word(path: Path) -> None:
    tune = load_tune(path, strict=True)
    melody = write_out(tune)
    assert [section.name for section in melody.sections] == list("AABB")
    assert melody.chords
    assert all(bar.length == bar.meter.bar for bar in melody.bars[1:-1])


def test_there_are_shipped_tunes() -> None:
    assert len(list(TRACKS.glob("*.abc"))) >= 4


def test_a_sharp_written_as_elsewhere_is_told_with_what_to_write() -> None:
    (tune,) = read_abc("X:1\nT:Sharp\nM:4/4\nL:1/4\nK:C\nCF#GA|c4|\n")
    assert "a sharp is ^ before its note, as in ^F" in "\n".join(map(str, tune.passed_over))
