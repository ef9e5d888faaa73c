"""The page in headless Chromium: what it shows is what sounds, at the time it sounds.

The measure is not the page's own clock but what the page sends to the loudspeaker (every start of a buffer is noted) and the
browser's time of what leaves it; where the music lies in a decoded buffer is found from the clicks of the count-in.
"""

from __future__ import annotations

import itertools
import random
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from underbow.sound.files.report import RenderReport

if TYPE_CHECKING:
    from .conftest import Page, Track

TOLERANCE = 0.030  # seconds, between eye and ear
PICTURE = 0.025  # seconds; a screen shows 60 pictures a second, so one was left out

# Every picture of the screen for so many seconds: the sound's clock and what is lit.
WATCH = """
const seen = [], until = performance.now() + 1000 * arguments[0];
const look = () => {
  const cells = [...document.querySelectorAll("#bow-now .cell")];
  seen.push([spy.clock(), cells.findIndex((cell) => cell.classList.contains("lit")),
    document.querySelector("#now .chord").textContent, document.getElementById("w-bar").textContent,
    document.getElementById("w-pass").textContent, spy.starts.length]);
  if (performance.now() < until) requestAnimationFrame(look); else done(seen);
};
requestAnimationFrame(look);
"""
STARTS = "return spy.starts.map((s) => [s.when, s.offset, s.buffer.length / s.buffer.sampleRate, s.loop])"


def chord_at(track: Track, seconds: float) -> str:
    at = track.performance.tempo.quarters(seconds)
    for span in track.performance.chords:
        if float(span.start) <= at < float(span.end):
            return "rest" if span.chord is None else str(span.chord)
    return "Count-in"


def signs(text: str) -> str:
    return text.replace("♭", "b").replace("♯", "#")


def expected_cells(track: Track) -> list[float]:
    """When each cell of each whole bar begins, from the performance's bars and the pattern alone."""
    seconds, grid = track.performance.tempo.seconds, track.sheet.patterns[0][1].grid
    out = []
    for bar in track.performance.bars:
        if bar.number > 0:
            out += [seconds(bar.start + grid.swung(grid.cell * n)) for n in range(grid.cells)]
    return out


def changes(seen: list[Any], places: list[float], boundaries: np.ndarray) -> list[float]:
    """How late the lit cell changes, in seconds; where a busy machine left pictures out nobody can tell."""
    return [
        float(place - boundaries[np.abs(boundaries - place).argmin()])
        for (clock, before, *_), (then, after, *_), place in zip(seen, seen[1:], places[1:], strict=False)
        if before != after and then - clock < PICTURE
    ]


def test_the_decoded_music_begins_where_the_page_thinks(browser: Page, track: Track) -> None:
    browser.open(track.path)
    browser.play()
    ((_, offset, _, _),) = browser.run(STARTS)
    sound = browser.samples(0)
    rate = browser.run("return spy.starts[0].buffer.sampleRate")
    assert rate == 24_000
    seconds = track.performance.tempo.seconds
    clicks = [
        seconds(click.start) for click in track.performance.part("click").gestures if click.start < track.performance.count_in
    ]  # fmt: skip
    assert len(clicks) >= 2
    for click in clicks:  # the first sample near a click that is as loud as a tenth of the loudest there
        first = round((offset + click - 0.02) * rate)
        near = np.abs(sound[first : first + round(0.06 * rate)])
        onset = (first + int(np.argmax(near > near.max() / 10))) / rate
        assert onset - offset == pytest.approx(click, abs=0.004)
    browser.press("#play")
    assert browser.complaints() == []


def test_the_lit_cell_keeps_within_30_milliseconds_of_the_sound(browser: Page, track: Track) -> None:
    browser.open(track.path)
    start = track.performance.tempo.seconds(track.performance.passes[1].start) - 0.5
    browser.go(start)
    browser.play()
    seen = browser.wait(WATCH, 4.0)
    (when, offset, _, _), *more = browser.run(STARTS)
    assert not more
    begins = offset - start
    assert 0.3 < begins < 0.5
    places = [offset - begins + clock - when for clock, *_ in seen]
    boundaries = np.array(expected_cells(track))
    late = changes(seen, places, boundaries)
    assert len(late) > 10
    assert max(map(abs, late)) < TOLERANCE, late
    # and the right one is lit: count the cells from the bar's start
    for (_, cell, *_), place in zip(seen, places, strict=True):
        number = int(np.searchsorted(boundaries, place, "right")) - 1
        if abs(boundaries - place).min() > TOLERANCE:
            assert cell == number % 8
    assert browser.complaints() == []


def test_the_chord_shown_is_the_manifests_at_50_random_times(browser: Page, track: Track) -> None:
    browser.open(track.path)
    seconds, end = track.performance.tempo.seconds, track.performance.length
    bars = RenderReport(track.performance, (), 44_100, "").to_json()["bars"]
    chance = random.Random(50)
    for _ in range(50):
        at = Fraction(chance.randrange(int(end * 64))) / 64 + Fraction(1, 128)
        time = seconds(at)
        browser.go(time)
        shown = signs(browser.text("#now .chord"))
        assert shown == chord_at(track, time), time
        bar = max((bar for bar in bars if bar["start"] <= time), key=lambda bar: bar["start"], default=None)
        assert bar is None or shown.replace("rest", "-") in bar["chord"].split()
    assert browser.complaints() == []


def test_two_bars_go_round_without_a_gap_or_a_seam(browser: Page, track: Track) -> None:
    browser.open(track.path)
    seconds = track.performance.tempo.seconds
    bars = [bar for bar in track.performance.bars if bar.playing == 3 and bar.number in (3, 4, 5)]
    first, last = seconds(bars[0].start), seconds(bars[2].start)
    browser.press("#repeat")
    assert browser.text("#repeat-word") == "two bars"
    browser.go(seconds(bars[1].start))
    browser.play()
    seen = browser.wait(WATCH, 2 * (last - first) + 0.4)
    (when, offset, length, loop), *more = browser.run(STARTS)
    assert loop
    assert not more
    assert length == pytest.approx(last - first, abs=1.5 / 24_000)
    assert offset == pytest.approx(seconds(bars[1].start) - first, abs=0.001)
    boundaries = np.array(expected_cells(track))
    places = [first + (offset + clock - when) % length for clock, *_ in seen]
    late = changes(seen, places, boundaries)
    for (_, cell, *_), place in zip(seen, places, strict=True):
        if abs(boundaries - place).min() > TOLERANCE:
            assert cell == (int(np.searchsorted(boundaries, place, "right")) - 1) % 8
    assert len(late) > 10
    assert max(map(abs, late)) < TOLERANCE
    assert {name for _, _, _, name, _, _ in seen} == {"Section A, Bar 3", "Section A, Bar 4"}
    ring = browser.samples(0)
    # let go of the repeat: the track goes on from where it is, and what went round was that stretch of it
    browser.press("#repeat")
    browser.press("#repeat")
    (then, on, _, still_round), *_ = browser.run(STARTS)[::-1]
    assert not still_round
    whole = browser.samples(-1)
    place = first + (offset + then - when) % length
    start = round((on - place + first) * 24_000)
    same = [np.abs(whole[start + by : start + by + 20_000] - ring[:20_000]).max() for by in (-1, 0, 1)]
    assert min(same) == 0
    # the end meets the beginning as the track itself comes to it: a bar may begin with a knock, but with no more than that
    start += (-1, 0, 1)[int(np.argmin(same))]
    assert ring[0] - ring[-1] == pytest.approx(whole[start] - whole[start - 1], abs=0.02)
    assert browser.complaints() == []


def test_a_section_goes_round(browser: Page, track: Track) -> None:
    browser.open(track.path)
    browser.go(track.performance.tempo.seconds(track.performance.passes[0].start + 20))
    browser.press("#repeat")
    browser.press("#repeat")
    assert browser.text("#repeat-word") == "section"
    browser.play()
    ((_, _, length, loop),) = browser.run(STARTS)
    section = track.sheet.melody.sections[1]
    places = {(bar.number, bar.time) for bar in section.bars}
    inside = [bar for bar in track.performance.bars if bar.playing == 1 and (bar.number, bar.time) in places]
    seconds = track.performance.tempo.seconds
    assert loop
    assert length == pytest.approx(seconds(inside[-1].start + 4) - seconds(inside[0].start), abs=0.001)
    browser.press("#repeat")
    assert browser.text("#repeat-word") == "off"
    assert browser.run(STARTS)[-1][3] is False
    browser.press("#play")
    assert browser.complaints() == []


def test_another_mix_takes_over_at_the_same_place(browser: Page, track: Track) -> None:
    browser.open(track.path)
    browser.go(5.0)
    browser.play()
    browser.press("#mixes label:nth-of-type(3) input")
    browser.wait("const look = () => spy.starts.length > 1 ? done() : setTimeout(look, 10); look();")
    (when, offset, *_), (then, on, *_) = browser.run(STARTS)
    begins = offset - 5.0
    assert on - begins == pytest.approx(5.0 + then - when, abs=0.003)
    first, second = browser.samples(0), browser.samples(1)
    assert len(first) == len(second)
    assert np.abs(first - second).max() > 0.05
    assert browser.run("return document.querySelector('#mixes :checked + span b').textContent") == "take turns"
    browser.press("#play")
    assert browser.complaints() == []


def test_a_pass_is_gone_to_and_played_from_its_pickup(browser: Page, track: Track) -> None:
    browser.open(track.path)
    browser.press("#passes li:nth-child(3) button")
    assert browser.text("#w-pass") == "Pass 3 of 3"
    assert browser.text("#w-bar") == "Pickup"
    assert browser.text("#w-tempo .unseen") == "half = 140"
    browser.play()
    ((_, offset, _, _),) = browser.run(STARTS)
    assert offset == pytest.approx(track.performance.tempo.seconds(track.performance.passes[2].start) + 0.4, abs=0.06)
    assert browser.run("return document.querySelectorAll('#passes [aria-current]').length") == 1
    browser.press("#play")
    assert browser.complaints() == []


def test_the_beats_left_count_down_to_the_change(browser: Page, track: Track) -> None:
    browser.open(track.path)
    performance = track.performance
    spans = [span for span in performance.chords if span.chord is not None]
    for span, after in itertools.pairwise(spans):
        for beats in range(1, int(span.length / 2) + 1):
            browser.go(performance.tempo.seconds(span.end - 2 * beats + Fraction(1, 8)))
            assert browser.text("#left-n") == str(beats)
            assert signs(browser.text("#next .chord")) == str(after.chord)


def test_the_end_stops_the_sound_and_leads_back_to_the_start(browser: Page, track: Track) -> None:
    browser.open(track.path)
    end = track.performance.tempo.seconds(track.performance.length)
    browser.go(end - 0.7)
    assert browser.text("#next .chord") == "end"
    browser.play()
    browser.wait(
        "const look = () => document.body.classList.contains('playing') ? setTimeout(look, 20) : done(); look();"
    )
    assert browser.text("#w-bar") == "Count-in"
    assert browser.complaints() == []


def test_the_written_note_that_sounds_is_marked(browser: Page, track: Track) -> None:
    """Against the engraver's own reading of the tune is tested with the engraver; here: the right note at the right time."""
    browser.open(track.path)
    performance = track.performance
    notes = [note for note in performance.part("melody").gestures if not note.ornament]
    chance = random.Random(7)
    measures: list[Any] = list(track.sheet.tune.measures)
    for gesture in chance.sample(notes, 25):
        sounded = chance.choice(gesture.notes)
        browser.go(performance.tempo.seconds(sounded.start + sounded.length / 2))
        marked = browser.run("return [...document.querySelectorAll('.music.wide .played')].map((e) => e.dataset.note)")
        measure, number = map(int, marked[0].split("-"))
        assert measures[measure].notes[number].pitch.midi == sounded.midi
        assert browser.run("return document.querySelectorAll('.music.wide .bar-mark').length") == 1
