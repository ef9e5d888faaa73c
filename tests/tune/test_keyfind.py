"""Keys found from notes alone."""

from fractions import Fraction
from pathlib import Path

import music21
import pytest

from underbow.tune.abc.reader import read_abc
from underbow.tune.keyfind import Line, find_key, heard
from underbow.tune.written_out import write_out

# A tune of our own that goes round: it comes home in the middle of each part, and ends on the way back to the beginning.
ROUND = "|:GABG DGBG|E2A2 c2A2|B2d2 g2d2|BAGB A2A2:|\n|:gfgd BGBd|e2a2 c'2a2|g2d2 B2d2|cBAB A2A2:|"
SIGNS = "|:D|GGG BAG|AAA cBA|GBd gdB|cAF G2:|"


def line_of(music: str, key: str, meter: str) -> tuple[Line, Fraction]:
    """The notes of a piece in ABC, repeats played, from its first bar line on; and its bar."""
    melody = write_out(read_abc(f"X:1\nT:It\nM:{meter}\nL:1/8\nK:{key}\n{music}\n")[0])
    first = melody.full_bars[0].start
    return [(note.start - first, note.length, note.midi) for note in melody.notes], melody.full_bars[0].length


def test_a_tune_that_goes_round_is_not_in_the_key_of_its_last_note() -> None:
    line, bar = line_of(ROUND, "G", "4/4")
    assert line[-1][2] % 12 == 9
    assert str(find_key(line, bar, Fraction(16))) == "G"


@pytest.mark.parametrize("up", range(-4, 6))
def test_a_key_moves_with_its_notes(up: int) -> None:
    line, bar = line_of(ROUND, "G", "4/4")
    moved = [(start, length, midi + up) for start, length, midi in line]
    assert find_key(moved, bar, Fraction(16)).tonic.number == (7 + up) % 12


@pytest.mark.parametrize(("key", "found"), [("Am", "Am"), ("Ador", "Ador"), ("A", "A"), ("Amix", "Amix")])
def test_the_sixth_and_the_seventh_tell_the_mode(key: str, found: str) -> None:
    line, bar = line_of("|:A2AB cBAc|efga gfed|cBAc BAGB|ABcd e2f2|eagf edcB|A2f2 e2g2|a2gf edcB|A4 A4:|", key, "4/4")
    assert str(find_key(line, bar, Fraction(32))) == found


def test_parts_are_heard_from_their_own_first_bar_line() -> None:
    line, bar = line_of(SIGNS, "G", "6/8")
    said = heard(line, bar, Fraction(12))
    assert line[0][0] == Fraction(-1, 2)
    assert said["begins"] == {7: 1.0}  # not the pickup's D
    assert said["ends"] == {7: 1.0}
    assert set(said["last bar"]) == {0, 9, 6, 7}
    assert sum(said["first bar"].values()) == pytest.approx(1)


def test_keys_of_printed_tunes_are_found_from_the_notes_alone() -> None:
    """The figures of many more tunes stand in benchmarks/chords/README.md; nothing was counted in these."""
    folder = Path(music21.__file__).parent / "corpus" / "ryansMammoth"
    printed = [
        tune
        for path in sorted(folder.glob("*.abc"))[::6]
        for tune in read_abc(path.read_bytes().decode("latin-1"))
        if sum(len(m.notes) for m in tune.measures) > 40
    ][:150]
    right = 0
    for tune in printed:
        melody = write_out(tune)
        first = melody.full_bars[0].start
        line = [(note.start - first, note.length, note.midi) for note in melody.notes]
        found = find_key(line, melody.full_bars[0].length)
        right += (found.tonic.number, found.is_minor) == (tune.key.tonic.number, tune.key.is_minor)
    assert len(printed) == 150
    assert right >= 0.87 * len(printed)
