"""Letters that no font has are left out and named; whatever a font has stays."""

from __future__ import annotations

import pytest

from underbow.lesson.letters import shown
from underbow.lesson.practice.words import ENGLISH
from underbow.lesson.video.options import VideoOptions
from underbow.lesson.video.painter import Painter
from underbow.track.sequencer import perform
from underbow.track.sheet.read import build_sheet


@pytest.mark.parametrize("text", ["Rushes at Low Water", "Schnee am Wehr, où déjà", "שלג על הסכר", "Снег", ""])
def test_what_the_fonts_that_come_along_have_needs_no_others(text: str) -> None:
    assert shown(text) == (text, (), False)


def test_what_no_font_has_is_left_out_with_its_word() -> None:
    """U+10FFFD is for private use, and in no font (Unicode 15, section 23.5)."""
    found = shown("Snow \U0010fffd雪\U0010fffd on the weir")
    assert "\U0010fffd" not in found.text
    assert found.text.startswith("Snow")
    assert found.text.endswith("on the weir")
    assert "\U0010fffd" in "".join(found.left_out)
    assert found.system_fonts
    assert not shown(found.text).left_out


@pytest.mark.parametrize("title", ["Snow \U00013000", "Snow", "\U00013000"])
def test_a_video_leaves_out_what_no_font_has(title: str) -> None:
    """U+13000, a man who sits, is in no font but those made for it: most machines have none."""
    tune = 'X:1\nT:x\nM:4/4\nL:1/4\nK:G\n"G"GABc|"D"d4|]\n'
    sheet = build_sheet({"title": title, "abc": tune, "pattern": "saw", "tempo": {"goal": 80, "passes": 1}})
    painter = Painter(sheet, perform(sheet), VideoOptions(), ENGLISH)
    assert painter.left_out == shown(title).left_out
    assert painter.picture(10.0).any()
