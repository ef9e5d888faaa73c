"""Written keys that the notes contradict."""

import random
from collections.abc import Iterator
from pathlib import Path

import music21
import pytest

from underbow.theory.key import Key
from underbow.theory.pitch import PitchClass
from underbow.tune.abc.reader import read_abc
from underbow.tune.harmony.harmonise import harmonise
from underbow.tune.keydoubt import doubted, in_key, reread
from underbow.tune.tune import Tune

# A tune of our own that says its key plainly: it turns round G, and ends there.
PLAIN = "GABc d2d2|e2c2 d4|cBAG FGAF|G2B2 G4|GABc d2d2|e2c2 d4|cBAG FDEF|G4 G4|]"
IN_E_MINOR = "E2GB e2B2|G2BG E4|DFAd A2F2|E2GE E4|E2GB e2B2|G2Be g2e2|dBAF D2F2|E4 E4|]"


def read(key: str, music: str = PLAIN) -> Tune:
    return read_abc(f"X:1\nT:Plain\nM:4/4\nL:1/8\nK:{key}\n{music}\n")[0]


@pytest.fixture(scope="module")
def printed() -> list[Tune]:
    """Some of O'Neill's tunes in one key, as music21 carries them: keys set by people, and nothing was counted in them."""
    folder = Path(music21.__file__).parent / "corpus" / "oneills1850"

    def tunes() -> Iterator[Tune]:
        for path in sorted(folder.glob("*.abc"))[::6]:
            yield from read_abc(path.read_bytes().decode("latin-1"))

    return [tune for tune in tunes() if sum(len(m.notes) for m in tune.measures) > 40][:150]


def test_a_key_that_fits_is_believed() -> None:
    assert doubted(read("G")) is None
    assert doubted(read("Em", IN_E_MINOR)) is None
    assert in_key(read("G")) == read("G")


def test_a_wrong_line_is_told_and_its_letters_are_read_again_for_the_chords() -> None:
    tune = read("D")  # every c is sharp now
    assert [str(fault) for fault in tune.told] == [
        "line 5, column 1: tune 1: the notes make no sense in K:D; K:G was probably meant, and chords are looked for in that key"
    ]
    assert {note.midi for measure in tune.measures for note in measure.notes} & {61, 73}  # played as the line says
    assert str(harmonise(tune).progression) == str(harmonise(read("G")).progression)


def test_the_right_notes_under_another_tonic() -> None:
    tune = read("G", IN_E_MINOR)
    (told,) = tune.told
    assert "the notes are in Em, not in G; write K:Em" in told.what
    assert str(harmonise(tune).progression) == str(harmonise(read("Em", IN_E_MINOR)).progression)
    assert in_key(tune).measures[0].notes == tune.measures[0].notes


@pytest.mark.parametrize("body", ["G8|", "G4 d4|g4 d4|", "[K:G]" + PLAIN[:40] + "[K:D]" + PLAIN[40:]])
def test_little_music_or_several_keys_tell_nothing(body: str) -> None:
    assert doubted(read("Bb", body)) is None


def test_printed_keys_are_hardly_ever_doubted_and_wrong_ones_mostly(printed: list[Tune]) -> None:
    """The figures of many more tunes stand in benchmarks/chords/README.md."""
    assert sum(doubted(tune) is not None for tune in printed) <= 0.04 * len(printed)
    rng = random.Random(2)
    caught = tried = right = 0
    for tune in printed:
        fifths = tune.key.tonic.fifths + rng.choice((-2, -1, 1, 2))
        if len({measure.key for measure in tune.measures}) > 1 or not -3 <= fifths <= 5:
            continue
        doubt = doubted(reread(tune, Key(PitchClass.at_fifths(fifths), tune.key.mode)))
        tried += 1
        caught += doubt is not None
        right += doubt is not None and doubt.key.tonic == tune.key.tonic
    assert caught >= 0.7 * tried
    assert right >= 0.6 * tried


def test_reading_again_leaves_what_differs_from_the_signature() -> None:
    tune = read("D", "F=F^g_c|")
    assert [note.midi for note in reread(tune, Key.parse("C")).measures[0].notes] == [65, 65, 80, 71]
