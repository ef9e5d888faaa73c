"""What the page sends to the loudspeaker: loops, other tempos and the count-in to the frame, levels and places as asked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from underbow.lesson.practice.audio import RATE

from .test_page_audio import strip_of

if TYPE_CHECKING:
    from .conftest import Page, Track

from .onsets import BACKUP, CLICK, MELODY, RHYTHM, hits, late, starts


def test_a_loop_goes_round_to_the_frame_and_every_round_is_alike(any_browser: Page, track: Track) -> None:
    page = any_browser
    page.open(track.path)
    page.choose("#from", 2)
    page.choose("#to", 3)
    assert page.text("#repeat-word").startswith("bars ")
    page.play()
    begins = starts(track)
    long = round((begins[4] - begins[2]) * RATE)
    page.until_sent(2 * long + 6_000)
    page.press("#play")
    for way in (MELODY, BACKUP, RHYTHM):
        sound = page.stream(way)
        first, second = sound[: long - 300], sound[long : 2 * long - 300]
        assert np.abs(first - second).max() < 1e-6
        # no seam: nowhere does the wave jump more than it does inside
        jumps = np.abs(np.diff(sound[: 2 * long], 2))
        assert jumps[long - 300 : long + 10].max() <= max(jumps[: long - 300].max(), 0.02)
    clicks = hits(page.stream(CLICK))
    first = clicks[clicks < long]
    again = clicks[(clicks >= long) & (clicks < 2 * long)]
    assert list(again - long) == list(first)
    assert first[0] == 0
    assert page.complaints() == []


def test_rounds_are_counted_as_they_are_heard_whatever_is_changed_meanwhile(browser: Page, track: Track) -> None:
    """The page makes sound some seconds ahead; what it has made of rounds to come must not be counted, nor make them faster."""
    page = browser
    page.open(track.path)
    page.choose("#from", 2)
    page.choose("#to", 2)
    page.choose("#rise", 2)
    page.play()
    page.until("document.getElementById('w-pass').textContent === '2'")
    heard, tempo = page.run(
        "for (let i = 0; i < 3; i += 1) document.querySelector('#faster').click();"
        "return [document.getElementById('w-pass').textContent, document.getElementById('pace-now').textContent]"
    )
    page.until("document.getElementById('w-pass').textContent === '3'")
    shown = page.run("return document.getElementById('w-tempo').textContent")
    page.press("#play")
    assert (heard, tempo) == ("2", "106"), "the round in the air, and three steps of two from its tempo"
    assert "112" in shown, "after two rounds faster by one step"
    assert page.complaints() == []


@pytest.mark.parametrize("share", [0.6, 0.8, 1.25])
def test_another_tempo_keeps_every_onset_where_the_clock_wants_it(browser: Page, track: Track, share: float) -> None:
    """Held against the strip itself: a note's beginning within 10 ms of where it belongs. For the pitch see test_stretch."""
    page, performance = browser, track.performance
    page.open(track.path)
    tempo = round(100 * share)
    page.choose("#tempo", tempo)
    assert page.text("#pace-now") == str(tempo)
    page.choose("#from", 0)
    page.choose("#to", 5)
    page.play()
    seconds = performance.tempo.seconds
    nearest = min(range(3), key=lambda n: abs(np.log(tempo / float(performance.passes[n].tempo.count))))
    stretch = float(performance.passes[nearest].tempo.count) / tempo
    first = seconds(performance.passes[nearest].downbeat)
    page.until_sent((2.4 + 1.2 * stretch) * RATE)
    page.press("#play")
    place = track.audio.places[nearest] + round((first - seconds(performance.passes[nearest].start)) * RATE)
    original = strip_of(track.audio.parts["melody"])[place:]
    sent = page.stream(MELODY)
    last = first + (len(sent) / RATE - 0.4) / stretch
    notes = [note for note in performance.part("melody").gestures if first <= seconds(note.start) < last]
    off = []
    for one in notes:
        start = seconds(one.start) + one.offset - first
        found = late(original, start, sent, start * stretch)
        if found is not None:  # an attack, not a slurred note's swell
            off.append(1000 * found)
    assert len(off) >= 5
    assert np.median(np.abs(off)) < 1, off
    assert np.quantile(np.abs(off), 0.9) < 10, off
    clicks = hits(page.stream(CLICK)) / RATE
    assert np.allclose(np.diff(clicks), 60 / tempo, atol=0.0001)
    assert page.complaints() == []


def test_a_loop_rises_by_itself_up_to_the_goal(browser: Page, track: Track) -> None:
    browser.open(track.path)
    browser.choose("#tempo", 130)
    browser.choose("#from", 0)
    browser.choose("#to", 0)
    browser.choose("#rise", "1")
    browser.play()
    browser.until("document.getElementById('pace-now').textContent === '140'")
    browser.wait("setTimeout(done, 1500)")
    browser.press("#play")
    assert browser.text("#pace-now") == "140"
    clicks = np.diff(hits(browser.stream(CLICK))) / RATE
    assert clicks[0] == pytest.approx(60 / 130, abs=0.001)
    assert clicks[-1] == pytest.approx(60 / 140, abs=0.001)
    assert browser.complaints() == []


@pytest.mark.parametrize("counted", ["start", "round", "none"])
def test_the_count_in_is_a_bar_before_each_start_or_round(browser: Page, track: Track, counted: str) -> None:
    browser.open(track.path)
    browser.choose("#from", 4)
    browser.choose("#to", 4)
    browser.choose("#counted", counted)
    browser.play(counted=True)
    if counted != "none":
        assert browser.text("#now .chord") == "Count-in"
    bar = round((starts(track)[5] - starts(track)[4]) * RATE)
    browser.until_sent(4 * bar + 3_000)
    browser.press("#play")
    loud = [
        np.sqrt(np.mean(browser.stream(BACKUP)[bar * n + 300 : bar * (n + 1) - 300] ** 2)) > 0.005 for n in range(4)
    ]
    assert loud == {"start": [False, True, True, True], "round": [False, True] * 2, "none": [True] * 4}[counted]


def test_players_stand_where_they_are_put_and_fade_as_the_mix_says(browser: Page, track: Track) -> None:
    browser.open(track.path)

    def levels() -> dict[str, float]:
        ways = browser.run("return spy.ways.slice(-4).map((gain) => gain.gain.value)")
        return dict(zip(("melody", "backup", "rhythm", "click"), ways, strict=True))

    browser.play()
    expected = {"melody": 1.0, "backup": 10 ** (-6 / 20), "rhythm": 10 ** (-6 / 20), "click": 10 ** (-9 / 20)}
    assert levels() == pytest.approx(expected, abs=0.01)
    assert browser.text("#click-name") == "click (-9 dB)"
    for where, level in (("out", 0.0), ("far", 10 ** (-12 / 20)), ("middle", 10 ** (-6 / 20)), ("near", 1.0)):
        browser.press(f"#melody-{where}")
        browser.wait("setTimeout(done, 250)")
        assert levels()["melody"] == pytest.approx(level, abs=0.01)
    browser.press("#play")
    browser.press("#placings button:nth-child(1)")
    browser.press("#passes li:nth-child(3) button")
    assert browser.text("#backup-name") == "backup (-18 dB)"
    browser.press("#placings button:nth-child(5)")
    assert browser.run(
        "return ['melody', 'backup', 'rhythm'].every((p) => document.getElementById(`${p}-out`).checked)"
    )
    assert browser.complaints() == []


def test_the_sum_stays_below_minus_1_dbfs_however_near_all_stand(browser: Page, track: Track) -> None:
    """All that sounds goes through one curve into the loudspeaker, and the curve, which clamps what is beyond it, stays below."""
    browser.open(track.path)
    browser.run(
        "const plain = BaseAudioContext.prototype.createWaveShaper;"
        "BaseAudioContext.prototype.createWaveShaper = function () { return window.shaper = plain.call(this); };"
    )
    browser.play()
    for part in ("melody", "backup", "rhythm", "click"):
        browser.press(f"#{part}-near")
    last, ways, oversample, curve = browser.run(
        "const through = spy.ways.every((way) => way.to.to.to === shaper);"
        "return [shaper.to === shaper.context.destination, through, shaper.oversample, [...shaper.curve]]"
    )
    assert last
    assert ways
    assert oversample == "none"
    assert max(np.abs(curve)) < 10 ** (-1 / 20)
    middle = (len(curve) - 1) // 2
    straight = np.array(curve[middle : middle + middle // 6])  # up to -3.5 dBFS nothing is changed
    assert np.allclose(straight, 4 * np.arange(len(straight)) / middle, atol=1e-6)
    browser.press("#play")
