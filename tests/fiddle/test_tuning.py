"""Tunings against the published lists of cross tunings, and what is said of what is none."""

import pytest

from underbow.errors import InputError
from underbow.fiddle.tuning import CALLED, NAMED, Tuning

# MIDI numbers of the open strings. Sources: Wikipedia "Cross tuning" (AEAE, ADAE), johnsonstring.com (AEAE, GDGD), en-academic
# list of scordatura tunings (GDGB, FCGD), waxandwane.org's old-time tunings (AEAC#, DDAD).
PUBLISHED = {
    "GDAE": (55, 62, 69, 76),
    "AEAE": (57, 64, 69, 76),
    "ADAE": (57, 62, 69, 76),
    "GDGD": (55, 62, 67, 74),
    "GDGB": (55, 62, 67, 71),
    "FCGD": (53, 60, 67, 74),
    "AEAC#": (57, 64, 69, 73),
    "DDAD": (50, 62, 69, 74),
}


@pytest.mark.parametrize(("name", "midi"), PUBLISHED.items())
def test_named_tunings_have_the_published_notes(name, midi):
    assert Tuning.parse(name).midi == midi
    assert Tuning.parse(name.lower()).midi == midi
    assert Tuning.parse(" ".join(NAMED[name].split())).name == name


def test_the_table_and_the_published_list_name_the_same_tunings():
    assert NAMED.keys() == PUBLISHED.keys()
    assert {*CALLED.values()} <= NAMED.keys()


@pytest.mark.parametrize(
    ("text", "strings"),
    [
        ("EDAE", "E3 D4 A4 E5"),  # not in the table: octaves follow from the standard strings
        ("GDAD", "G3 D4 A4 D5"),
        ("A E A E", "A3 E4 A4 E5"),
        ("BbFCG", "Bb3 F4 C5 G5"),
        ("sawmill", "G3 D4 G4 D5"),
        ("cross  a", "A3 E4 A4 E5"),
        ("A2 E3 A3 E4", "A2 E3 A3 E4"),
        ("D4 D4 D4 D4", "D4 D4 D4 D4"),
    ],
)
def test_any_tuning_by_note_names(text, strings):
    assert " ".join(map(str, Tuning.parse(text).strings)) == strings


def test_an_unusual_octave_shows_in_the_name():
    assert Tuning.parse("A2 E4 A4 E5").name == "A2 E4 A4 E5"
    assert Tuning.parse("EDAE").name == "EDAE"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("CAbAE", "goes down from one string to the next"),
        ("GDAF#E", "not a tuning"),
        ("", "not a tuning"),
        ("GDA", "(did you mean"),
        ("G3 D4 A4", "four notes from the lowest string up"),
        ("E5 A4 D4 G3", "write the lowest string first"),
        ("G0 D1 A1 E2", "outside G2 to D6"),
        ("F#2 D4 A4 E5", "outside G2 to D6"),
        ("G3 D4 A4 Eb6", "outside G2 to D6"),
    ],
)
def test_a_wrong_tuning_is_told_in_one_line_with_the_cure(text, said):
    with pytest.raises(InputError) as refused:
        Tuning.parse(text)
    assert said in str(refused.value)
    assert len(str(refused.value).splitlines()) == 1


def test_the_lowest_and_the_highest_string_there_may_be():
    assert Tuning.parse("G2 D3 A4 D6").midi == (43, 50, 69, 86)


def test_registers():
    fiddle = Tuning.parse("GDAE")
    assert [fiddle.pair(register) for register in ("low", "middle", "high")] == [(0, 1), (1, 2), (2, 3)]
    with pytest.raises(InputError, match="did you mean 'middle'"):
        fiddle.pair("midle")
