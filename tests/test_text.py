"""Text as it may be shown, whatever a file says."""

from __future__ import annotations

import re
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from underbow.text import is_plain, is_shown, one_line, signs, visible

HOME = Path(__file__).parents[1] / "src" / "underbow"


@given(st.text())
def test_whatever_comes_in_one_plain_line_comes_out(text: str) -> None:
    line = one_line(text)
    assert is_plain(line)
    assert line == one_line(line) == " ".join(line.split())
    assert [sign for sign in line if sign != " "] == [s for s in text if is_shown(s) and not s.isspace()]
    assert len(one_line(text, 5)) <= 5
    assert one_line(text, len(line)) == line
    assert not line or one_line(text, max(len(line) - 1, 1)) != line or len(line) == 1
    assert is_plain(visible(text))


@given(st.text(alphabet="ab\x1b\n\t\u202e\ud800"))
def test_what_is_written_as_an_escape_can_be_read_back(text: str) -> None:
    assert visible(text).encode("ascii").decode("unicode_escape") == text
    kept = visible(text, keep="\n\t")
    assert set(kept) <= set("ab\n\t\\x1u20edf8")
    assert [kept.count(sign) for sign in "\n\t"] == [text.count(sign) for sign in "\n\t"]


def test_letters_of_all_scripts_are_shown_and_marks_that_turn_the_line_are_not() -> None:
    assert is_plain("Ó Cearbhalláin, Мария, 茶摘み, می‌خواهم")  # a joiner in Persian shapes its letters
    assert not any(map(is_shown, "\u202a\u202e\u2066\u2069\u200e\u200f\ufeff\x9b\ue000\ud800"))


def test_only_accidentals_become_signs() -> None:
    words = {"Bbm7b5/Ab": "B♭m7♭5/A♭", "Abb": "A♭♭", "C#b9#11": "C♯♭9♯11", "b7": "♭7", "B minor, a bowed bass": None}
    assert {word: signs(word) for word in words} == {word: better or word for word, better in words.items()}


def test_what_is_shown_is_decided_in_one_place() -> None:
    deciding = re.compile(r"isprintable|unicode_escape|unicodedata\.category")
    users = {path.relative_to(HOME).as_posix() for path in HOME.rglob("*.py") if deciding.search(path.read_text())}
    assert users == {"text.py"}
