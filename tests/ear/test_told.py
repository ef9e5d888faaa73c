"""What a learner is told of a take: the advice, and the page."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from underbow.ear.advice import advise
from underbow.ear.expected import expected_strokes
from underbow.ear.place import Place
from underbow.ear.report import Advice, Heard, StrokeHeard
from underbow.lesson.heard.page import make_heard_page
from underbow.theory.meter import beat_words
from underbow.track.performance import Performance
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet

D_STRING, D4 = 1, 62


@pytest.fixture(scope="module")
def sharp(performance: Performance) -> Heard:
    """All in time, and in tune but for the open D string, which is sharp in every hand that has it."""
    strokes = tuple(
        StrokeHeard(
            stroke,
            stroke.start,
            1.0,
            0.0,
            tuple((string, midi, 20.0 if (string, midi) == (D_STRING, D4) else 0.0) for string, midi in stroke.hand),
        )
        for stroke in expected_strokes(performance)
    )
    return Heard(performance, "judged", "", Place(0.0, 1.0, 1.0, leak=True), strokes)


def test_a_string_out_of_tune_is_told_once_whatever_hands_have_it(sharp: Heard) -> None:
    hands = {s.expected.chord for s in sharp.strokes if any(cents for *_, cents in s.cents)}
    assert len(hands) > 1
    assert [advice.text for advice in advise(sharp)] == [
        "Your D string is about 20 cents sharp: tune it before the next round."
    ]


def test_where_no_finger_is_none_is_told_to_move(sheet: Sheet, sharp: Heard) -> None:
    page = make_heard_page(sheet, sharp, take="take.wav").decode()
    assert "D string, open: 20 cents sharp; tune it lower" in page
    assert "move the finger" not in page


def test_a_tempo_is_said_as_the_desk_and_the_printed_sheet_say_it(sheet: Sheet, sharp: Heard) -> None:
    tempo = sharp.performance.passes[0].tempo
    page = make_heard_page(sheet, sharp, take="take.wav").decode()
    assert f"{beat_words(tempo.beat)} = {tempo.written}<" in page
    assert f"{tempo}<" not in page


def test_no_line_ends_within_a_row_of_bars(sheet: Sheet, sharp: Heard) -> None:
    advised = replace(sharp, advice=(Advice("Lean on the click.", "1-4, 6"),))
    page = make_heard_page(sheet, advised, take="a.wav").decode()
    assert "Practise bars 1\u20114, 6." in page


def test_a_bar_that_is_played_again_is_told_by_which_time_it_is(sharp: Heard) -> None:
    abc = 'X:1\nT:Twice\nM:4/4\nL:1/4\nK:G\n|:"G"GABc|"D"d4:|'
    sheet = build_sheet({"abc": abc, "pattern": "saw", "tempo": {"goal": 100, "passes": 1}})
    performance = perform(sheet)
    strokes = tuple(StrokeHeard(stroke, stroke.start, 1.0, 0.0, ()) for stroke in expected_strokes(performance))
    page = make_heard_page(sheet, replace(sharp, performance=performance, strokes=strokes), take="a.wav").decode()
    assert re.findall(r'<th scope="row">(Bar .*?)</th>', page) == [
        "Bar 1",
        "Bar 2",
        "Bar 1, 2nd time",
        "Bar 2, 2nd time",
    ]


def test_why_a_take_is_refused_stands_out(sheet: Sheet, sharp: Heard) -> None:
    refused = Heard(sharp.performance, "silent", "there is next to no sound in it", sharp.place)
    page = make_heard_page(sheet, refused, take="a & b.wav").decode()
    assert '<p class="small">a &amp; b.wav</p>' in page
    assert '<p class="refused">Not judged: there is next to no sound in it</p>' in page


def test_on_headphones_nothing_is_said_of_being_early_as_a_whole(sheet: Sheet, sharp: Heard) -> None:
    late = tuple(replace(stroke, heard=stroke.expected.start + 0.008) for stroke in sharp.strokes)
    beside = make_heard_page(sheet, replace(sharp, strokes=late), take="a.wav").decode()
    assert beside.count("8 ms behind") == len(sharp.performance.passes)
    assert "known to" not in beside
    place = Place(0.0, 1.0, 1.0, leak=False, within=0.012)
    headphones = make_heard_page(sheet, replace(sharp, strokes=late, place=place), take="a.wav").decode()
    assert "8 ms behind" not in headphones
    assert "where they came is known to 12 ms" in headphones
