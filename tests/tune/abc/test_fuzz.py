"""Whatever stands in a file: a tune or a told fault, never a crash. (Long runs are in benchmarks/readers.)"""

import random
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from underbow.tune.abc.reader import read_abc
from underbow.tune.show import tune_json, tune_text
from underbow.tune.transpose import transposed
from underbow.tune.written_out import write_out

SIGNS = st.sampled_from(
    [*"|:[](){}<>\"!+-.,'/0123456789ABCDEFGabcdefgzZXyuvHTS~^_=&%\\$*; \n", "|:", ":|", "|1 ", ":|2 ", "[1,3 ", "(3", "[K:Em]",
     "\nP:A\n", "\nM:6/8\n", "\nL:1/16\n", "\nV:2\n", '"Am7"', '"D.C."', "!fine!", "{^g}", "[CEG]2", "a>>b", "=3D",
     "\nX:2\nK:G\n"]
)  # fmt: skip
TRACKS = sorted((Path(__file__).parents[3] / "tracks").glob("*.abc"))


def use(text: str) -> None:
    """Do all that is done with a tune, and hold what every melody promises."""
    for tune in read_abc(text):
        melody = write_out(tune)
        assert all(before.end <= after.start for before, after in zip(melody.notes, melody.notes[1:], strict=False))
        assert all(before.end == after.start for before, after in zip(melody.bars, melody.bars[1:], strict=False))
        assert all(note.start >= 0 and note.end <= melody.length for note in melody.notes)
        assert all(0 <= span.start < span.end <= melody.length for span in melody.chords)
        assert [bar for section in melody.sections for bar in section.bars] == list(melody.full_bars)
        for measure in tune.measures:
            for note in measure.notes:
                assert note.source is not None
                assert text[note.source[0]] in "ABCDEFGabcdefg^_=[+"
        tune_json(tune)
        tune_text(tune)
        transposed(tune, "Bb")


@settings(max_examples=200, deadline=None)
@given(st.lists(SIGNS, max_size=60).map("".join), st.sampled_from(["", "X:1\nK:C\n", "X:1\nM:4/4\nL:1/8\nK:D\n"]))
def test_random_signs(music: str, header: str) -> None:
    use(header + music)


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=80))
def test_random_text(text: str) -> None:
    use(text)


def test_mutated_tunes() -> None:
    random_ = random.Random(7)
    for n in range(150):
        chars = list(TRACKS[n % len(TRACKS)].read_text(encoding="utf-8"))
        for _ in range(random_.randint(1, 8)):
            at = random_.randrange(len(chars))
            signs = random_.choices("|:[](){}<>\"!-.,'/0123AGdfz^=&\\ \n", k=random_.randint(0, 4))
            chars[at : at + random_.randint(0, 9)] = signs
        use("".join(chars))
