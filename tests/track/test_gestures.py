"""Gestures kept in little room give back what was put in, however they are walked."""

from __future__ import annotations

from fractions import Fraction

import pytest

from underbow.track.gestures import Gestures
from underbow.track.performance import Gesture, Manner, Sounded

F = Fraction


def stroke(start: Fraction, *midis: int, level: float = -4.0, bow: str = "d", ornament: bool = False) -> Gesture:
    notes = [Sounded(start, F(1, 2), midi, level, i) for i, midi in enumerate(midis)]
    notes.append(Sounded(start + F(1, 2), F(1, 3), midis[0], level - 2.0, 0))
    return Gesture(Manner.BOW, tuple(notes), bow, ornament=ornament)


PLAYED = (
    stroke(F(0), 55, 62),
    stroke(F(1), 55, 62),
    stroke(F(5, 3), 55, 62, bow="u"),
    stroke(F(7, 3), 57, level=0.0),
    stroke(F(3), 55, 62, ornament=True),
)


def test_what_was_put_in_comes_out_by_any_way() -> None:
    kept = Gestures(PLAYED)
    assert list(kept) == list(PLAYED)
    assert kept == PLAYED
    assert [kept[i] for i in range(-5, 5)] == [PLAYED[i] for i in range(-5, 5)]
    assert kept[1:-1] == PLAYED[1:-1]
    assert list(reversed(kept)) == list(reversed(PLAYED))
    assert list(kept) == list(kept)
    assert hash(kept) == hash(Gestures(PLAYED))
    assert len(kept.kinds) == 4
    assert [placed.kind for placed in kept.placed()] == [0, 0, 1, 2, 3]
    assert kept.grain == 6
    assert [F(placed.tick, 6) for placed in kept.placed()] == [gesture.start for gesture in PLAYED]
    assert list(kept.ornaments()) == [False] * 4 + [True]
    with pytest.raises(IndexError):
        kept[5]


def test_nothing_is_nothing() -> None:
    assert not Gestures()
    assert len(Gestures()) == 0
    assert Gestures() == ()


def test_another_gesture_makes_others() -> None:
    assert Gestures(PLAYED) != Gestures(PLAYED[:-1])
    assert Gestures(PLAYED) != PLAYED[::-1]
    assert Gestures(PLAYED) != Gestures.of_phrases([(PLAYED, F(1))])
    assert Gestures(PLAYED) != "gestures"


def test_phrases_come_again_as_they_were_only_later() -> None:
    other = [stroke(F(1, 5), 57)]
    kept = Gestures.of_phrases([(PLAYED, F(0)), (other, F(4)), (PLAYED, F(15, 7)), (other, F(-1, 5))])
    every = [(PLAYED, F(0)), (other, F(4)), (PLAYED, F(15, 7)), (other, F(-1, 5))]
    assert [[n.start for n in g.notes] for g in kept] == [[n.start + by for n in g.notes] for p, by in every for g in p]
    assert [[n.length for n in g.notes] for g in kept] == [[n.length for n in g.notes] for p, _ in every for g in p]
    assert len(kept.kinds) == 5


def test_feel_moves_each_by_its_own_and_no_note_above_full() -> None:
    felt = Gestures(PLAYED).with_feel([1, -2500, 0, 4000, 7], [400, -250, 0, 1, 0])
    assert [g.offset for g in felt] == [0.000001, -0.0025, 0.0, 0.004, 0.000007]
    assert [g.notes[0].level for g in felt] == [-3.6, -4.25, -4.0, 0.0, -4.0]
    assert [g.start for g in felt] == [g.start for g in PLAYED]
    assert [g.notes[-1].level for g in felt] == [-5.6, -6.25, -6.0, -2.0, -6.0]
    with pytest.raises(ValueError, match="5 gestures, but 1 offsets and 5 levels"):
        Gestures(PLAYED).with_feel([1], [0] * 5)


def test_fractions_finer_than_eight_bytes_are_kept_too() -> None:
    fine = [stroke(F(i) + F(1, 3**60), 55) for i in range(3)]
    far = [stroke(F(2**40 + i, 7), 55) for i in range(3)]
    for mixed in ((PLAYED[0], *fine, PLAYED[1]), (PLAYED[0], *far), (*far, *fine)):
        assert Gestures(mixed) == mixed
        assert [g.start - F(1, 3) for g in Gestures.of_phrases([(mixed, F(1, 3))])] == [g.start for g in mixed]
