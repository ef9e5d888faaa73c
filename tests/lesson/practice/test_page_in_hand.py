"""The page in headless Chromium: whoever uses it, on whatever screen: reach, sight, hearing, hostile text, no network."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from underbow.lesson.practice.page import make_page
from underbow.lesson.practice.words import ENGLISH
from underbow.track.sequencer import perform
from underbow.track.sheet.read import build_sheet

from .conftest import TUNE, Page, Track

SIZES = [(360, 740), (768, 1024), (1440, 900), (844, 390)]


def test_nothing_is_asked_of_any_network_and_nothing_complains(browser: Page, track: Track) -> None:
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
        "const s = document.createElement('script'); s.textContent = 'window.caught = 1'; document.body.append(s)"
    )
    browser.run("const i = document.createElement('img'); i.src = 'https://example.org/x'; document.body.append(i)")
    assert browser.run("return window.caught") is None
    blocked = [str(said) for said in browser.complaints()]
    assert any("script-src" in said for said in blocked)
    assert any("img-src" in said for said in blocked)


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


@pytest.mark.parametrize("size", [*SIZES, (360, 640)], ids=str)
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


def test_the_chord_can_be_read_from_two_metres(browser: Page, track: Track) -> None:
    """A letter is read at 5 minutes of arc (the 20/20 line of an eye chart, ISO 8596); four times that is easy at a glance.

    At two metres that is 11.6 mm. A CSS pixel is 1/96 inch by definition, and about 1/160 inch on a phone held as one.
    """
    easy = 2_000 * 4 * 5 / 60 * 3.14159265 / 180
    for (width, height), millimetres in [((360, 740), 25.4 / 160), ((1440, 900), 25.4 / 96)]:
        browser.open(track.path, width, height)
        browser.go(7.0)
        capital = 0.65  # of the font's size
        sizes = [
            float(
                browser.run("return parseFloat(getComputedStyle(document.querySelector(arguments[0])).fontSize)", part)
            )
            for part in ("#now .chord", "#next .chord")
        ]
        assert sizes[0] * capital * millimetres > easy
        assert sizes[1] * capital * millimetres > easy * 0.7


@pytest.mark.parametrize("size", [(360, 740), (1440, 900)], ids=str)
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("which", ["track", "hostile"])
def test_axe_finds_no_serious_fault(
    browser: Page, request: pytest.FixtureRequest, axe: str, *, which: str, size: tuple[int, int], dark: bool
) -> None:
    """axe-core's rules for WCAG 2.2 A and AA, and its best practices."""
    subject: Track = request.getfixturevalue(which)
    browser.open(subject.path, *size)
    browser.look(dark=dark)
    browser.go(7.0)
    browser.run("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    browser.driver.execute_cdp_cmd("Runtime.evaluate", {"expression": axe})
    found = browser.wait("axe.run().then((r) => done(r), (e) => done(String(e)))")
    assert found["passes"], found
    serious = [
        (fault["id"], fault["impact"], [node["html"][:120] + node["failureSummary"] for node in fault["nodes"]][:3])
        for fault in found["violations"]
        if fault["impact"] in {"serious", "critical", "moderate"}
    ]
    assert serious == []


def test_every_press_is_wide_and_high_enough_for_a_thumb(browser: Page, track: Track) -> None:
    """44 CSS pixels: WCAG 2.2, success criterion 2.5.5."""
    browser.open(track.path, 360, 740)
    browser.run("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    small = browser.run(
        "return [...document.querySelectorAll('button, summary, #place, #mixes label')]"
        ".map((e) => [e.id || e.textContent, e.getBoundingClientRect().width, e.getBoundingClientRect().height])"
        ".filter(([, w, h]) => w < 44 || h < 44)"
    )
    assert small == []


def press_key(page: Page, key: str, modifiers: int = 0) -> None:
    for kind in ("rawKeyDown", "keyUp"):
        page.driver.execute_cdp_cmd(
            "Input.dispatchKeyEvent", {"type": kind, "key": key, "code": key, "modifiers": modifiers}
        )


def test_the_keyboard_and_a_pedal_reach_everything(browser: Page, track: Track) -> None:
    browser.open(track.path)
    press_key(browser, "ArrowRight")
    press_key(browser, "ArrowRight")
    assert browser.text("#w-bar") == "Section A, Bar 2"
    press_key(browser, "ArrowLeft")
    assert browser.text("#w-bar") == "Section A, Bar 1"
    assert browser.text("#told") == "pass 1, bar 1, G"
    press_key(browser, "ArrowRight", modifiers=8)
    assert browser.text("#w-pass") == "Pass 2 of 3"
    press_key(browser, " ")
    browser.wait("const look = () => spy.starts.length ? done() : setTimeout(look, 10); look();")
    assert browser.text("#play-word") == "Pause"
    press_key(browser, " ")
    assert browser.text("#play-word") == "Play"
    reached = browser.run(
        "return [...document.querySelectorAll('button, input, summary')]"
        ".filter((e) => e.getClientRects().length && e.tabIndex < 0).length"
    )
    assert reached == 0
    names = browser.driver.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    unnamed = [
        node["role"]["value"]
        for node in names
        if node.get("role", {}).get("value") in {"button", "radio", "slider"} and not node.get("name", {}).get("value")
    ]
    assert unnamed == []


def test_who_wants_no_motion_sees_none(browser: Page, track: Track) -> None:
    boxes = "return document.querySelector('#bow-now .place').getClientRects().length"
    browser.open(track.path)
    browser.go(7.0)
    assert browser.run(boxes) == 1
    browser.look(still=True)
    assert browser.run(boxes) == 0
    assert browser.run("return document.querySelectorAll('.cell.lit').length") == 1


def test_hostile_text_comes_out_as_text(browser: Page, hostile: Track) -> None:
    browser.open(hostile.path, 360, 740)
    assert browser.run("return window.caught") is None
    title = browser.text("h1")
    assert title.startswith("</script><script>window.caught=1</script> \"'&amp;{css}שיר 🎻 longlong")
    assert browser.text("title").startswith("</script><script>window.caught=1</script>")
    assert browser.text("#mixes label b").startswith("backup turn</script><img src=x onerror='window.caught=1'> wide")
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
    for seconds in (0.0, 7.0, 999.0):
        browser.go(seconds)
        left: list[Any] = browser.run(
            "const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), out = [];"
            "while (walk.nextNode()) { const e = walk.currentNode.parentElement;"
            "  if (e.closest('script, svg, h1, #mixes b, .stops, .chord, .how')) continue;"
            "  out.push((e.closest('p, button, h2') ?? walk.currentNode).textContent); } return out"
        )
        for _ in range(3):  # a word may be filled into another
            left = [re.sub("«[^«»]*»", "", text) for text in left]
        plain = [re.sub(r"[\d\s=,]", "", text) for text in left]
        assert {text for text in plain if text} == set()


@pytest.mark.parametrize(("name", "size", "dark"), [("phone", (360, 740), False), ("desktop-dark", (1440, 900), True)])
def test_pictures_for_those_who_look(
    browser: Page, track: Track, kept_pictures: Path, name: str, size: tuple[int, int], *, dark: bool
) -> None:
    browser.open(track.path, *size)
    browser.look(dark=dark)
    browser.go(7.0)
    assert browser.driver.save_screenshot(str(kept_pictures / f"{name}.png"))


def test_sound_that_can_not_be_played_is_told(browser: Page, track: Track, tmp_path: Path) -> None:
    broken = make_page(
        track.sheet, track.performance, track.sheet.mixes, dict.fromkeys(track.audio, b"no sound at all")
    )
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
        for kind in ("mousePressed", "mouseReleased"):
            event = {"type": kind, "x": x, "y": y, "button": "left", "clickCount": 1}
            browser.driver.execute_cdp_cmd("Input.dispatchMouseEvent", event)
        assert browser.text("#w-bar") == "Section B, Bar 9"


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


def test_tuning_notes_are_called_so_until_the_count_in(browser: Page, tmp_path: Path) -> None:
    sheet = build_sheet(
        {"title": "t", "pattern": "saw", "abc": TUNE, "tempo": {"goal": 120}, "sound": {"tuning_notes": True}}
    )
    performance = perform(sheet)
    path = tmp_path / "tuned.html"
    path.write_bytes(make_page(sheet, performance, sheet.mixes, dict.fromkeys([mix.name for mix in sheet.mixes], b"-")))
    browser.open(path)
    clicks = [click.start for click in performance.part("click").gestures if click.start < performance.passes[0].start]
    counted = performance.tempo.seconds(clicks[0])
    assert counted > 5

    def shown(seconds: float) -> list[str]:
        browser.go(seconds)
        return [browser.text(place) for place in ("#now .chord", "#w-bar", "#left-n")]

    assert shown(counted - 0.1) == ["Tuning notes", "Tuning notes", ""]
    assert shown(counted + 0.1) == ["Count-in", "Count-in", str(len(clicks))]


@pytest.mark.parametrize("name", ODD_SHEETS)
def test_odd_sheets_are_shown_from_end_to_end(browser: Page, tmp_path: Path, name: str) -> None:
    table = ODD_SHEETS[name]
    tune = {} if "compose" in table else {"abc": TUNE}
    sheet = build_sheet({"title": name, "pattern": "saw", "tempo": {"goal": 120}, **tune} | table)
    performance = perform(sheet)
    path = tmp_path / "odd.html"
    path.write_bytes(make_page(sheet, performance, sheet.mixes, dict.fromkeys([mix.name for mix in sheet.mixes], b"-")))
    browser.open(path, 360, 740)
    end = performance.tempo.seconds(performance.length)
    for repeat in ("off", "two bars", "section"):
        assert browser.text("#repeat-word") == repeat
        for step in range(25):
            browser.go(end * step / 24)
            assert browser.text("#now .chord")
            assert browser.text("#w-tempo .unseen")
        for key in ("ArrowLeft", "ArrowRight"):
            press_key(browser, key)
            press_key(browser, key, modifiers=8)
        browser.press("#repeat")
    assert browser.run("return document.documentElement.scrollWidth") == 360
    assert browser.complaints() == []
