"""What is seen of the page and what can be reached, mostly in Chromium: on any screen, at any size, in any light."""

from __future__ import annotations

from pathlib import Path

import pytest

from underbow.lesson.practice import page as practice_page
from underbow.track.sequencer import perform

from .browsers import Chromium
from .conftest import Page, Track, no_sound, short_sheet
from .sung import SONG, WIDER, touching

SIZES = [(360, 740), (768, 1024), (1440, 900), (844, 390), (320, 568)]


def widen(page: Page) -> None:
    """Set letters as wide as those of the widest fonts that a system falls back on (DejaVu Serif, for one)."""
    page.run("document.documentElement.style.letterSpacing = '.1em'")


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("which", ["track", "hostile", "wide letters"])
def test_nothing_overflows(browser: Page, request: pytest.FixtureRequest, size: tuple[int, int], which: str) -> None:
    subject: Track = request.getfixturevalue("hostile" if which == "hostile" else "track")
    browser.open(subject.path, *size)
    if which == "wide letters":
        widen(browser)
    for seconds in (0.0, 2.6, 7.0, 30.0):
        browser.go(seconds)
        wide = browser.run(
            "return [document.documentElement.scrollWidth, [...document.querySelectorAll('body *')].filter((e) =>"
            "  !e.closest('#passes ol, svg, .unseen, h1') && !e.matches('script, style') && e.getClientRects().length"
            "  && (e.getBoundingClientRect().right > innerWidth + 1 || e.getBoundingClientRect().left < -1))"
            ".map((e) => e.outerHTML.slice(0, 90))]"
        )
        assert wide == [size[0], []]
        assert browser.run("return scrollTo(1000, 0), scrollX") == 0


@pytest.mark.parametrize("size", [(360, 740), (768, 1024), (1440, 900), (844, 390), (1366, 768), (667, 375)], ids=str)
@pytest.mark.parametrize("wide", [False, True], ids=["", "wide letters"])
def test_what_is_played_is_seen_without_scrolling(
    browser: Page, track: Track, size: tuple[int, int], *, wide: bool
) -> None:
    """Chord, next chord, fingers, beats left and the whole bow grid lie above the keys."""
    browser.open(track.path, *size)
    if wide:
        widen(browser)
    browser.go(7.0)
    bottom = browser.run("return document.getElementById('dock').getBoundingClientRect().top")
    for part in ("#now .chord", "#now .stops", "#next .chord", "#next .stops", "#left", "#bow-now svg"):
        box = browser.run(
            "const b = document.querySelector(arguments[0]).getBoundingClientRect();"
            "return [b.top, b.bottom, b.left, b.right, b.height]",
            part,
        )
        assert box[0] >= 0, part
        assert box[1] <= bottom + 1, part
        assert box[3] <= size[0], part
        assert box[4] > 0, part


@pytest.mark.parametrize("size", [(1440, 900), (1366, 768), (844, 390), (667, 375)], ids=str)
def test_tune_and_chord_share_the_screen(browser: Page, track: Track, size: tuple[int, int]) -> None:
    """On a laptop and on a phone turned sideways the line that is played lies in sight, wherever in the tune."""
    browser.open(track.path, *size)
    for seconds in (2.6, 7.0, 12.0, 15.0):
        browser.go(seconds)
        dock, chord, line = browser.run(
            "const box = (e) => { const b = e.getBoundingClientRect(); return [b.top, b.bottom]; };"
            "return [document.getElementById('dock').getBoundingClientRect().top, box(document.querySelector('#now .chord')),"
            "  box(document.querySelector('.wide .bar-mark'))]"
        )
        assert 0 <= chord[0] < chord[1] <= dock
        assert line[0] + 8 >= 0
        assert line[1] <= dock + 12


def test_words_under_the_notes_keep_apart_in_wider_letters_too(
    any_browser: Page, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Held against letters 15 % wider than the engraver's: in the engraving that is seen, and in the one that may be printed."""
    plain = practice_page._asset
    monkeypatch.setattr(practice_page, "_asset", lambda name: plain(name) + WIDER * (name == "page.css"))
    sheet = short_sheet(abc=SONG, pattern="saw")
    performance = perform(sheet)
    path = tmp_path / "song.html"
    path.write_bytes(practice_page.make_page(sheet, performance, sheet.mixes, no_sound(performance)))
    any_browser.open(path, 390, 844)
    assert [touching(any_browser.browser, music) for music in (".music.narrow", ".music.wide")] == [(44, []), (44, [])]
    pressed = "return document.querySelectorAll('.music.narrow .syl text[textLength]').length"
    assert 0 < any_browser.run(pressed) < 40  # where there is room letters stay as they are


def test_all_that_matters_can_be_read_from_two_metres(browser: Page, track: Track) -> None:
    """A letter is read at 5 minutes of arc (the 20/20 line of an eye chart, ISO 8506); four times that is easy at a glance.

    At two metres that is 11.6 mm; twice that line, 5.8 mm, for what one looks at now and then: pass, bar, tempo. A CSS pixel is
    1/96 inch by definition, and about 1/160 inch on a phone held as one.
    """
    easy = 2_000 * 4 * 5 / 60 * 3.14150265 / 180
    phone, desk = 25.4 / 160, 25.4 / 96
    for (width, height), millimetres in [((360, 740), phone), ((1440, 900), desk), ((1366, 768), desk)]:
        browser.open(track.path, width, height)
        browser.go(7.0)
        capital = 0.65  # of the font's size
        for part, share in (
            ("#now .chord", 1),
            ("#next .chord", 0.7),
            ("#w-pass", 0.48),
            ("#w-bar", 0.48),
            ("#w-tempo", 0.48),
        ):
            size = browser.run(
                "return parseFloat(getComputedStyle(document.querySelector(arguments[0])).fontSize)", part
            )
            assert float(size) * capital * millimetres > easy * share, (part, width)


@pytest.mark.parametrize("size", [(360, 740), (1440, 900)], ids=str)
@pytest.mark.parametrize("look", ["light", "dark", "forced"])
@pytest.mark.parametrize("which", ["track", "hostile"])
def test_axe_finds_nothing(
    browser: Page, request: pytest.FixtureRequest, axe: str, *, which: str, size: tuple[int, int], look: str
) -> None:
    """axe-core's rules for WCAG 2.2 A and AA, and its best practices, idle and playing."""
    subject: Track = request.getfixturevalue(which)
    browser.open(subject.path, *size)
    chromium = browser.browser
    assert isinstance(chromium, Chromium)
    chromium.look(dark=look == "dark", forced=look == "forced")
    browser.go(7.0)
    browser.run("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    chromium.tell("Runtime.evaluate", expression=axe)
    for playing in (False, True) if which == "track" else (False,):
        if playing:
            browser.play()
        found = browser.wait("axe.run().then((r) => done(r), (e) => done(String(e)))")
        assert found["passes"], found
        faults = [
            (fault["id"], fault["impact"], [node["html"][:120] + node["failureSummary"] for node in fault["nodes"]][:3])
            for fault in found["violations"]
        ]
        assert faults == []
        if playing:
            browser.press("#play")


def test_every_press_is_wide_and_high_enough_for_a_thumb(browser: Page, track: Track) -> None:
    """44 CSS pixels: WCAG 2.2, success criterion 2.5.5."""
    browser.open(track.path, 360, 740)
    browser.run("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    small = browser.run(
        "return [...document.querySelectorAll('button, summary, select, fieldset label')]"
        ".filter((e) => e.getClientRects().length)"  # some come only when they are of use
        ".map((e) => [e.id || e.textContent, e.getBoundingClientRect().width, e.getBoundingClientRect().height])"
        ".filter(([, w, h]) => w < 44 || h < 44)"
    )
    assert small == []


def test_everything_pressed_has_a_name(browser: Page, track: Track) -> None:
    browser.open(track.path)
    assert isinstance(browser.browser, Chromium)
    names = browser.browser.tell("Accessibility.getFullAXTree")["nodes"]
    unnamed = [
        node["role"]["value"]
        for node in names
        if node.get("role", {}).get("value") in {"button", "radio", "slider", "combobox"}
        and not node.get("name", {}).get("value")
    ]
    assert unnamed == []


def test_who_wants_no_motion_sees_none(browser: Page, track: Track) -> None:
    boxes = "return document.querySelector('#bow-now .place').getClientRects().length"
    browser.open(track.path)
    browser.go(7.0)
    assert browser.run(boxes) == 1
    assert isinstance(browser.browser, Chromium)
    browser.browser.look(still=True)
    assert browser.run(boxes) == 0
    assert browser.run("return document.querySelectorAll('.cell.lit').length") == 1


@pytest.mark.parametrize(("name", "size", "dark"), [("phone", (360, 740), False), ("desktop-dark", (1440, 900), True)])
def test_pictures_for_those_who_look(
    browser: Page, track: Track, kept_pictures: Path, name: str, size: tuple[int, int], *, dark: bool
) -> None:
    browser.open(track.path, *size)
    assert isinstance(browser.browser, Chromium)
    browser.browser.look(dark=dark)
    browser.go(7.0)
    browser.browser.picture(kept_pictures / f"{name}.png")
    assert (kept_pictures / f"{name}.png").stat().st_size > 10_000


@pytest.mark.parametrize("size", [(720, 450), (360, 225), (320, 256)], ids=["200 %", "400 %", "reflow"])
def test_magnified_chord_and_fingers_stay_whole(browser: Page, track: Track, size: tuple[int, int]) -> None:
    """A screen of 1440 x 900 at 200 and 400 % (WCAG 2.2, success criteria 1.4.4 and 1.4.10)."""
    browser.open(track.path, *size)
    browser.go(7.0)
    for part in ("#now .chord", "#now .stops", "#play"):
        browser.run("document.querySelector(arguments[0]).scrollIntoView({block: 'center'})", part)
        seen = browser.run(
            "const e = document.querySelector(arguments[0]), b = e.getBoundingClientRect();"
            "const hit = document.elementFromPoint(b.left + b.width / 2, b.top + b.height / 2);"
            "return [b.left >= 0, b.right <= innerWidth + 1, b.height > 20,"
            "  Boolean(hit) && (e.contains(hit) || hit.contains(e))]",
            part,
        )
        assert all(seen), (part, seen)
