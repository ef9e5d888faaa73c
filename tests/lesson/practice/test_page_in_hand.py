"""The page in the hands of whoever uses it: keys, pedal, mouse and touch, hostile text, odd sheets, no network."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from underbow.lesson.practice.page import make_page
from underbow.lesson.practice.words import ENGLISH
from underbow.track.sequencer import perform
from underbow.track.sheet.read import build_sheet

from .browsers import Chromium
from .conftest import TUNE, Page, Track, no_sound


def test_nothing_is_asked_of_any_network_and_nothing_complains(any_browser: Page, track: Track) -> None:
    browser = any_browser
    browser.open(track.path)
    browser.play()
    browser.press("#play")
    assert browser.run("return performance.getEntriesByType('resource').map((r) => r.name)") == []
    assert browser.complaints() == []
    text = track.path.read_text(encoding="utf-8")
    assert re.findall(r'(?:src|href|action)="(?!#|data:,)[^"]*"', text) == []
    assert {u for u in re.findall(r"https?://[^\s\"'<\\]+", text) if "www.w3.org" not in u} == set()


def test_the_policy_lets_nothing_in_but_the_pages_own_script(browser: Page, track: Track) -> None:
    browser.open(track.path)
    browser.run(
        "document.body.insertAdjacentHTML('beforeend', '<img src=x onerror=\"window.caught = 1\">"
        '<iframe srcdoc="&lt;script&gt;parent.caught = 1&lt;/script&gt;'
        "&lt;script src=data:,parent.caught=1&gt;&lt;/script&gt;\">')"
    )
    browser.wait("setTimeout(done, 300)")
    browser.run("const i = document.createElement('img'); i.src = 'https://example.org/x'; document.body.append(i)")
    assert browser.run("return window.caught") is None
    blocked = [str(said) for said in browser.complaints()]
    assert any("script-src" in said for said in blocked)
    assert any("img-src" in said for said in blocked)


def test_a_whole_practice_by_keyboard_alone(any_browser: Page, track: Track) -> None:
    """Open, hear, go about, slow down, repeat, mark, place, stop, read the log: no mouse, no finger."""
    page, keys = any_browser, any_browser.browser.keys
    page.open(track.path)
    keys("ArrowRight", "ArrowRight", "ArrowRight")
    assert (page.text("#w-bar-name"), page.text("#w-bar")) == ("A, bar", "3")
    keys("ArrowLeft")
    assert page.text("#told") == "pass 1, bar 2, C"
    keys("Shift+ArrowRight")
    assert page.text("#w-pass") == "2"
    keys("Shift+ArrowLeft", "-", "-")
    assert page.text("#pace-now") == "96"
    keys("[", "ArrowRight", "]")
    assert page.text("#repeat-word") == "bars 1 to 2"
    assert page.run("return document.getElementById('repeat').getAttribute('aria-pressed')") == "true"
    keys("h")
    assert page.run("return document.querySelectorAll('.wide .hard-mark').length") == 1
    keys("1")
    assert page.run("return document.getElementById('melody-middle').checked")
    page.start(lambda: keys("Space"))
    assert page.text("#play-word") == "Pause"
    page.wait("setTimeout(done, 6500)")
    keys("PageDown")
    page.until("!document.body.classList.contains('playing')")
    assert "bars 1 to 2, half = 96, 0.1 min" in page.run("return document.getElementById('log-text').value")
    keys("r", "PageUp", "Tab")
    assert page.run("return document.activeElement.id") == "play"  # what is wanted first comes first
    assert page.text("#repeat-word") == "off"
    assert page.complaints() == []


def test_bars_of_the_notation_are_reached_and_chosen_by_keyboard(browser: Page, track: Track) -> None:
    keys = browser.browser.keys
    browser.open(track.path)
    browser.run("document.querySelector('.music.wide [role=button][tabindex=\"0\"]').focus()")
    keys("ArrowRight", "ArrowRight", "Enter")
    assert browser.text("#w-bar") == "3"
    assert browser.run("return document.activeElement.getAttribute('aria-label')").startswith("Bar 3")
    browser.press("#pick")
    assert browser.text("#told") == ENGLISH["pick_first"]
    keys("Enter", "End", "Enter")
    assert browser.text("#repeat-word") == "bars 3 to 10"


def test_the_space_bar_pauses_after_a_press_of_any_button(any_browser: Page, track: Track) -> None:
    """Pedals send it; a button that was clicked must not stand in its way, and a word under the finger must not change."""
    page = any_browser
    page.open(track.path)
    page.play()
    for button in ("#repeat", "#back", "#passes li:nth-child(2) button", "#placings button:nth-child(2)"):
        page.browser.click(button)
        page.browser.keys("Space")
        page.until("!document.body.classList.contains('playing')")
        page.start(lambda: page.browser.keys("Space"))
    page.browser.click("#play-word")
    page.until("!document.body.classList.contains('playing')")
    assert page.complaints() == []


def test_a_sound_that_never_starts_or_is_taken_away_is_said(browser: Page, track: Track) -> None:
    browser.open(track.path)
    browser.run(
        "window.plain = AudioContext.prototype.resume; AudioContext.prototype.resume = () => new Promise(() => {});"
        "Object.defineProperty(AudioContext.prototype, 'state', {get: () => 'suspended', configurable: true});"
    )
    browser.press("#play")
    browser.until("document.getElementById('told').textContent === given[0]", ENGLISH["held_back"])
    browser.run("delete AudioContext.prototype.state; AudioContext.prototype.resume = plain;")
    browser.open(track.path)
    browser.play()
    browser.run("spy.contexts[0].suspend()")
    browser.until("document.getElementById('told').textContent === given[0]", ENGLISH["broken_off"])
    assert browser.text("#play-word") == "Play"
    browser.play()
    assert browser.text("#play-word") == "Pause"
    browser.press("#play")


def test_hostile_text_comes_out_as_text(browser: Page, hostile: Track) -> None:
    browser.open(hostile.path, 360, 740)
    assert browser.run("return window.caught") is None
    title = browser.text("h1")
    assert title.startswith("</script><script>window.caught=1</script> \"'&amp;{css}שיר 🎻 longlong")
    assert browser.text("title").startswith("</script><script>window.caught=1</script>")
    assert browser.text("#placings button").startswith("backup turn</script><img src=x onerror='window.caught=1'> wide")
    assert browser.run("return document.querySelectorAll('img').length") == 0
    browser.play()
    browser.press("#play")
    assert browser.run("return window.caught") is None
    assert browser.complaints() == []


def test_every_word_comes_from_the_table(browser: Page, track: Track, tmp_path: Path) -> None:
    """With every word of the table marked, no unmarked word is left but the sheet's own."""
    marked = {name: text if name == "lang" else f"«{text}»" for name, text in ENGLISH.items()}
    page = make_page(track.sheet, track.performance, track.sheet.mixes, track.audio, words=marked)
    path = tmp_path / "words.html"
    path.write_bytes(page)
    browser.open(path)
    browser.press("#repeat")
    browser.run("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    for seconds in (0.0, 7.0, 999.0):
        browser.go(seconds)
        left: list[Any] = browser.run(
            "const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), out = [];"
            "while (walk.nextNode()) { const e = walk.currentNode.parentElement;"
            "  if (e.closest('script, svg, h1, #placings, #strings, .stops, .chord, .how, textarea')) continue;"
            "  out.push((e.closest('p, button, h2, legend, option, small') ?? walk.currentNode).textContent); } return out"
        )
        for _ in range(3):  # a word may be filled into another
            left = [re.sub("«[^«»]*»", "", text) for text in left]
        plain = [re.sub(r"[\d\s=,+−]", "", text) for text in left]
        assert {text for text in plain if text} == set()


def test_sound_that_can_not_be_played_is_told(browser: Page, track: Track, tmp_path: Path) -> None:
    broken = make_page(track.sheet, track.performance, track.sheet.mixes, no_sound(track.performance))
    path = tmp_path / "broken.html"
    path.write_bytes(broken)
    browser.open(path, 360, 740)
    browser.press("#play")
    browser.wait("const look = () => document.querySelector('#told.seen') ? done() : setTimeout(look, 10); look();")
    browser.wait("setTimeout(done, 100)")
    assert browser.text("#told") == ENGLISH["failed"]
    assert browser.text("#play-word") == "Play"
    assert browser.complaints() == []


def test_a_tap_on_a_bar_of_the_tune_goes_there(browser: Page, track: Track) -> None:
    for size, which in (((360, 740), "narrow"), ((1440, 900), "wide")):
        browser.open(track.path, *size)
        x, y = browser.run(
            "const staff = document.querySelector(`.${arguments[0]} [data-measure='7'] .staff`);"
            "staff.scrollIntoView({block: 'center'});"
            "const box = staff.getBoundingClientRect(); return [box.left + box.width / 2, box.top + box.height / 2]",
            which,
        )
        mouse(browser, (x, y), (x, y))
        assert (browser.text("#w-bar-name"), browser.text("#w-bar")) == ("B, bar", "7")


def mouse(page: Page, start: tuple[float, float], end: tuple[float, float]) -> None:
    assert isinstance(page.browser, Chromium)
    for kind, (x, y) in (("mousePressed", start), ("mouseMoved", end), ("mouseReleased", end)):
        page.browser.tell("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)


def test_bars_drawn_across_with_the_mouse_are_repeated(browser: Page, track: Track) -> None:
    browser.open(track.path)
    centre = (
        "const b = document.querySelector(`.wide [data-measure='${arguments[0]}'] .staff`).getBoundingClientRect();"
        "return [b.left + b.width / 2, b.top + b.height / 2]"
    )
    mouse(browser, browser.run(centre, 2), browser.run(centre, 1))
    assert browser.text("#repeat-word") == "bars 1 to 2"
    assert browser.run("return document.querySelectorAll('.wide .loop-mark').length") == 2


def test_a_bar_that_is_played_again_says_which_time_it_is(browser: Page, track: Track) -> None:
    browser.open(track.path)
    bars = browser.run("return [...document.querySelectorAll('#from option')].map((one) => one.textContent)")
    assert "1" in bars
    assert "1, 2nd time" in bars
    assert browser.run(
        "return document.querySelector('.how .mouse').checkVisibility() === matchMedia('(pointer: fine)').matches"
    )


def test_hard_bars_and_the_log_stay_in_the_browser(any_browser: Page, track: Track) -> None:
    page = any_browser
    page.open(track.path)
    page.run("localStorage.clear()")
    page.browser.go(page.run("return location.href"))
    assert page.run("return document.getElementById('hard').getAttribute('aria-pressed')") == "false"
    page.press("#hard")
    page.browser.go(page.run("return location.href"))
    assert page.run("return document.getElementById('hard').getAttribute('aria-pressed')") == "true"
    page.press("#hard-next")
    assert page.text("#repeat-word") == "bars 1 to 2"
    assert page.text("#log-where") == ENGLISH["log_where"]
    page.run("localStorage.clear()")


def test_a_rest_is_called_for_after_25_minutes(browser: Page, track: Track) -> None:
    browser.open(track.path)
    browser.choose("#from", 0)
    browser.choose("#to", 11)
    browser.play()
    browser.run(
        "const plain = performance.now.bind(performance); let more = 0; performance.now = () => plain() + (more += 1900);"
    )
    browser.until("document.getElementById('told').textContent === given[0]", ENGLISH["rest_now"])
    browser.press("#play")


ODD_SHEETS: dict[str, dict[str, Any]] = {
    "one bar once": {"abc": 'X:1\nM:4/4\nL:1/4\nK:G\n"G"GABc|]', "tempo": {"goal": 120, "count_in": 0}},
    "200 passes": {"abc": 'X:1\nM:2/4\nL:1/4\nK:G\n"G"GA|]', "tempo": {"start": 60, "goal": 240, "passes": 181}},
    "a slip jig in a glide": {
        "abc": 'X:1\nM:9/8\nL:1/8\nK:D\nP:A\nA|"D"d2e f2g "A"a2f|"G"g3 "N.C."f3 "D"d2:|',
        "pattern": "slip-jig",
        "tempo": {"beat": "3/8", "start": 60, "goal": 90, "passes": 4, "ramp": "glide"},
    },
    "composed, tuning notes, cross tuning": {
        "compose": {"seed": 3},
        "progression": "A | D | E7 | A",
        "tuning": "AEAE",
        "tempo": {"start": 80, "goal": 100, "passes": 3},
        "sound": {"tuning_notes": True, "drone": True},
    },
    "chops": {"pattern": "ghost-chop"},
    "lifted bows": {"pattern": "off-beats"},
    "some bars": {"bars": "4-6"},
}


@pytest.mark.parametrize("name", ODD_SHEETS)
def test_odd_sheets_are_shown_from_end_to_end(browser: Page, tmp_path: Path, name: str) -> None:
    table = ODD_SHEETS[name]
    tune = {} if "compose" in table else {"abc": TUNE}
    sheet = build_sheet({"title": name, "pattern": "saw", "tempo": {"goal": 120}, **tune} | table)
    performance = perform(sheet)
    path = tmp_path / "odd.html"
    path.write_bytes(make_page(sheet, performance, sheet.mixes, no_sound(performance)))
    browser.open(path, 360, 740)
    end = performance.tempo.seconds(performance.length)
    for repeat in ("off", "section", "pair"):
        if repeat != "off":
            browser.press(f"#{repeat}")
            assert browser.text("#repeat-word") != "off"
        for step in range(25):
            browser.go(end * step / 24)
            assert browser.text("#now .chord")
            assert browser.text("#w-tempo .unseen")
        browser.browser.keys("ArrowLeft", "Shift+ArrowLeft", "ArrowRight", "Shift+ArrowRight")
    assert browser.run("return document.documentElement.scrollWidth") == 360
    assert browser.complaints() == []
