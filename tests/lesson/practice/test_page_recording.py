"""Recording on the learner's page: how late the device hears is measured, and the file lies in time beside the track."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from underbow.lesson.practice.audio import RATE
from underbow.lesson.practice.words import ENGLISH

from .browsers import LOOP, Chromium
from .conftest import Page, Track


@pytest.fixture(scope="module")
def looped(program: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    """Chromium with a microphone that hears what the page plays, and when."""
    # the saved file is looked at through the blob that its link is made of
    keep = "const make = URL.createObjectURL; window.made = []; URL.createObjectURL = (b) => { made.push(b); return make(b); };"
    chromium = Chromium(program, tmp_path_factory.mktemp("looped"), first=LOOP + keep)
    yield Page(chromium, tmp_path_factory.mktemp("looped-pages"))
    chromium.quit()


def saved(page: Page) -> tuple[np.ndarray, int]:
    """The file that the link saves."""
    text = page.wait(
        "const read = new FileReader(); read.onload = () => done(read.result.split(',')[1]); read.readAsDataURL(made.at(-1));"
    )
    sound, rate = soundfile.read(io.BytesIO(base64.b64decode(text)))
    return sound, rate


def measured(page: Page, late: float) -> int:
    page.run("loop.late = arguments[0]; localStorage.removeItem('underbow: late')", late)
    page.browser.click("#record-test")
    page.until("document.getElementById('record-test').disabled === true")
    page.until("document.getElementById('record-test').disabled === false")
    return round(1000 * float(page.run("return localStorage.getItem('underbow: late')")))


def test_the_delay_is_measured_and_taken_out_of_the_recording(looped: Page, track: Track) -> None:
    """What comes back 120 ms later is measured as 120 ms more, and the file begins with the track's own first sound."""
    looped.open(track.path)
    looped.browser.click("#play")  # a first press lets the sound begin
    looped.until("document.body.classList.contains('playing')")
    looped.browser.click("#play")
    plain, more = measured(looped, 0.0), measured(looped, 0.12)
    assert more - plain == pytest.approx(120, abs=6)
    assert f"{more} ms late" in looped.text("#record-late")
    looped.go(0)
    sent = looped.run("return spy.sent.length")
    looped.browser.click("#record-go")
    looped.until("document.getElementById('record-go').getAttribute('aria-pressed') === 'true'")
    looped.until("spy.clock() > spy.sent[given[0]].when + 3", sent)
    looped.browser.click("#record-go")
    looped.until("!document.getElementById('record-done').hidden")
    sound, rate = saved(looped)
    assert rate == RATE
    assert len(sound) / rate > 2.5
    assert looped.run("return document.getElementById('record-save').download") == "Short Ladder take.wav"
    # the first click of the count-in lies where the page's own stream has it: at its beginning
    onset = np.flatnonzero(np.abs(sound) > 0.05 * np.abs(sound).max())[0] / rate
    assert onset < 0.03 + plain / 1000
    assert looped.complaints() == []
    the_take_is_heard_with_the_track(looped)


def the_take_is_heard_with_the_track(looped: Page) -> None:
    sent = looped.run("return spy.sent.length")
    looped.browser.click("#record-hear")
    looped.until("document.body.classList.contains('playing')")
    lengths = looped.run("return spy.sent.slice(arguments[0]).map((one) => one.sound.length / one.rate)", sent)
    assert max(lengths) > 2.5  # the take, among the short stretches of the track
    looped.browser.click("#play")


def test_a_take_by_chromiums_own_microphone(program: Callable[[str], str], track: Track, tmp_path: Path) -> None:
    """Its beeps are recorded from a page that was opened from a file; refused, the page says so plainly."""
    flags = ("--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream")
    keep = "const make = URL.createObjectURL; window.made = []; URL.createObjectURL = (b) => { made.push(b); return make(b); };"
    chromium = Chromium(program, tmp_path / "profile", first=keep, flags=flags)
    try:
        page = Page(chromium, tmp_path)
        page.open(track.path)
        page.browser.click("#record-go")
        page.until("document.getElementById('record-go').getAttribute('aria-pressed') === 'true'")
        page.wait("setTimeout(done, 2500)")
        page.browser.click("#record-go")
        page.until("!document.getElementById('record-done').hidden")
        sound, _ = saved(page)
        assert np.abs(sound).max() > 0.1
        page.run("navigator.mediaDevices.getUserMedia = async () => { throw new DOMException('', 'NotAllowedError'); }")
        page.browser.click("#record-go")
        page.until("document.getElementById('record-late').textContent.includes('may not be used')")
        assert page.run("return document.body.classList.contains('playing')") is False
        assert page.complaints() == []
    finally:
        chromium.quit()


def test_without_a_microphone_the_page_says_what_to_do_instead(looped: Page, track: Track) -> None:
    looped.open(track.path)
    looped.run("Object.defineProperty(navigator, 'mediaDevices', {value: undefined})")
    looped.browser.click("#record-go")
    looped.until("document.getElementById('record-late').textContent.includes('own recorder')")


def test_in_every_browser_it_records_or_says_why_not(any_browser: Page, track: Track) -> None:
    """None of these has a microphone and leave to use it: each says so at once, and nothing plays."""
    any_browser.open(track.path)
    before = any_browser.text("#record-late")
    any_browser.run(
        "if (navigator.mediaDevices) navigator.mediaDevices.getUserMedia = async () => {"
        " throw Object.assign(new Error('none'), {name: 'OverconstrainedError'}); }"
    )
    any_browser.browser.click("#record-go")
    any_browser.until("document.getElementById('record-late').textContent !== given[0]", before)
    assert any_browser.text("#record-late") in (ENGLISH["mic_none"], ENGLISH["mic_unable"])
    assert any_browser.run("return document.body.classList.contains('playing')") is False
