"""Mixes: what is heard in which pass."""

from __future__ import annotations

import pytest

from underbow.track.mixes import PARTS, STANDARD_MIXES, Mix

BY_NAME = {mix.name: mix for mix in STANDARD_MIXES}


def test_there_are_four_by_name() -> None:
    assert [mix.name for mix in STANDARD_MIXES] == ["backup turn", "tune turn", "take turns", "together"]


def test_in_the_learners_turn_the_guide_fades_away_and_the_other_part_stays() -> None:
    backing, tune = BY_NAME["backup turn"], BY_NAME["tune turn"]
    for mix, guide, lead in ((backing, "backup", "melody"), (tune, "melody", "backup")):
        levels = [mix.level(guide, number) for number in range(1, 7)]
        assert levels == [-6.0, -12.0, -18.0, None, None, None]
        assert {mix.level(lead, number) for number in range(1, 7)} == {0.0}


def test_turns_are_taken_pass_by_pass_however_many_there_are() -> None:
    mix = BY_NAME["take turns"]
    for number in range(1, 200):
        heard = (mix.level("melody", number), mix.level("backup", number))
        assert heard == ((0.0, None) if number % 2 else (None, 0.0))


def test_turns_go_by_playing_and_fading_by_tempo_where_a_tempo_is_played_twice() -> None:
    turns, fading = BY_NAME["take turns"], BY_NAME["backup turn"]
    heard = [
        (turns.level("melody", number, n), fading.level("backup", number, n))
        for n, number in enumerate((1, 1, 2, 2), 1)
    ]
    assert heard == [(0.0, -6.0), (None, -6.0), (0.0, -12.0), (None, -12.0)]


def test_together_everything_is_heard() -> None:
    assert all(BY_NAME["together"].level(part, 3) is not None for part in ("melody", "backup", "rhythm", "click"))


def test_the_count_in_is_as_the_first_pass() -> None:
    assert Mix("m", (("click", (-3.0, None)),)).level("click", 0) == -3.0


def test_what_is_not_named_is_off_unless_the_sheet_asked_for_it() -> None:
    mix = Mix("m", (("click", (-3.0,)),))
    assert [mix.level(part, 1) is None for part in PARTS] == [True, True, True, False, False, False]
    assert Mix("m", (("drone", (None,)),)).level("drone", 1) is None


@pytest.mark.parametrize(("levels", "message"), [((("drums", (0.0,)),), "'drums'"), ((("click", ()),), "no level")])
def test_nonsense_is_refused(levels: tuple[tuple[str, tuple[float, ...]], ...], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Mix("m", levels)
