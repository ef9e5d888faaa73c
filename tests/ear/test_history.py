"""The history: takes are remembered once, two runs at once don't harm each other, a later version's file is left alone."""

from __future__ import annotations

import sqlite3
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from underbow.ear.expected import expected_strokes
from underbow.ear.history import NAME, SCHEMA, forget, recall, remember
from underbow.ear.place import Place
from underbow.ear.report import Heard, StrokeHeard, drift, swing
from underbow.errors import UnderbowError
from underbow.track.performance import Performance


@pytest.fixture
def heard(performance: Performance) -> Heard:
    strokes = tuple(
        StrokeHeard(stroke, stroke.start + 0.02, 1.0, 0.0, ((0, 60, 4.0),)) for stroke in expected_strokes(performance)
    )
    return Heard(performance, "judged", "", Place(0.0, 1.0, 1.0, leak=True), strokes)


def test_a_take_is_remembered_once_tempo_by_tempo(heard: Heard, tmp_path: Path) -> None:
    for _ in range(2):
        rows = remember(tmp_path, heard, take="monday.wav", digest="a", recorded="2030-01-07T10:00:00+00:00")
    assert [(row.take, row.tempo, row.judged == row.strokes) for row in rows] == [
        ("monday.wav", 96.0, True),
        ("monday.wav", 112.0, True),
    ]
    assert rows[0].median_ms == pytest.approx(20)
    later = remember(tmp_path, heard, take="tuesday.wav", digest="b", recorded="2030-01-08T10:00:00+00:00")
    assert [row.take for row in later] == ["monday.wav"] * 2 + ["tuesday.wav"] * 2


def test_a_sheet_is_recalled_and_forgotten_and_the_others_are_left(heard: Heard, tmp_path: Path) -> None:
    title = heard.performance.title
    assert recall(tmp_path, title) is None
    assert not (tmp_path / NAME).exists()  # who only looks keeps nothing
    rows = remember(tmp_path, heard, take="monday.wav", digest="a", recorded="2030-01-07T10:00:00+00:00")
    other = replace(heard, performance=replace(heard.performance, title="another"))
    remember(tmp_path, other, take="tuesday.wav", digest="a", recorded="2030-01-08T10:00:00+00:00")
    assert recall(tmp_path, title) == rows
    forget(tmp_path, title)
    assert recall(tmp_path, title) == ()
    assert [row.take for row in recall(tmp_path, "another") or ()] == ["tuesday.wav"] * 2
    assert b"monday.wav" not in (tmp_path / NAME).read_bytes()
    forget(tmp_path, "another")
    assert not (tmp_path / NAME).exists()


def test_many_at_once_lose_nothing(heard: Heard, tmp_path: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda n: remember(tmp_path, heard, take=f"{n}", digest=f"{n}", recorded="2030"), range(16)))
    with sqlite3.connect(tmp_path / NAME) as base:
        assert base.execute("SELECT count(*) FROM takes").fetchone() == (16,)
        assert base.execute("PRAGMA user_version").fetchone() == (SCHEMA,)


def test_a_later_versions_history_is_left_alone(heard: Heard, tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / NAME) as base:
        base.execute(f"PRAGMA user_version = {SCHEMA + 1}")
    before = (tmp_path / NAME).read_bytes()
    with pytest.raises(UnderbowError, match="later version"):
        remember(tmp_path, heard, take="x", digest="x", recorded="2030")
    assert (tmp_path / NAME).read_bytes() == before


def test_what_is_no_history_is_said(heard: Heard, tmp_path: Path) -> None:
    (tmp_path / NAME).write_text("notes of my own")
    with pytest.raises(UnderbowError, match="move the file away"):
        remember(tmp_path, heard, take="x", digest="x", recorded="2030")


def test_drift_and_swing_are_what_was_played(heard: Heard) -> None:
    first = heard.of_pass(1)
    late = [replace(s, heard=s.expected.start + 0.001 * s.expected.start) for s in first]
    assert drift(late) is None  # a pass of 15 seconds is too short to say
    spread = [
        replace(s, expected=replace(s.expected, start=2 * s.expected.start), heard=2.002 * s.expected.start)
        for s in late
    ]
    assert drift(spread) == pytest.approx(60, rel=0.05)
    beat = 60 / 96
    swung = [
        replace(s, heard=s.expected.start + (beat / 6 if s.expected.place % 1 == Fraction(1, 2) else 0)) for s in first
    ]
    assert swing(first, 1.0) == pytest.approx(0.5)
    assert swing(swung, 1.0) == pytest.approx(2 / 3)
