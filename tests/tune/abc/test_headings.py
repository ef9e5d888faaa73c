"""The list of a tunebook: from its headers alone, and the same tunes as the reader finds."""

import random

import pytest

from underbow.tune.abc.headings import headings
from underbow.tune.abc.reader import read_abc, read_one
from underbow.tune.tune import Heading

BOOK = """%%titleleft
R:reel

X:1
T:One % two
M:6/8
K:Ador
A3|

words
T:no title

X:4
T:Four

M:C|
K:G
g4|
T:Late
X:5
K:
"""


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_what_a_list_says(line_end: str) -> None:
    assert headings(BOOK.replace("\n", line_end)) == (
        Heading(1, "One", "reel", "6/8", "Ador"), Heading(4, "Four", "reel", "C|", "G"),
        Heading(5, "", "reel", "", "C"),
    )  # fmt: skip


def test_a_text_without_numbers_is_one_tune() -> None:
    assert headings("T:From memory\nK:D\nd4|\n") == (Heading(1, "From memory", "", "", "D"),)
    assert headings("") == headings("% nothing\n") == ()


@pytest.mark.parametrize("seed", range(40))
def test_the_list_has_the_tunes_that_the_reader_finds(seed: int) -> None:
    chance = random.Random(seed)
    pieces = [
        "X:1\n",
        " X:2\n",
        "X:|\n",
        "T:a\n",
        "K:D\n",
        "d4|e4|\n",
        "\n",
        "% x\n",
        "%%y\n",
        "words\n",
        "P:A\n",
        "M:3/4\n",
        "\r",
        "\ufeff",
    ]
    text = "".join(chance.choices(pieces, k=30))
    tunes, listed = read_abc(text), headings(text)
    assert [(tune.number, tune.title) for tune in tunes] == [(tune.number, tune.title) for tune in listed]
    for index, tune in enumerate(tunes):
        assert read_one(text, index) == tune
