"""The page as it is seen: on screens of all sizes, by a checker of web pages, by keys, and in the pictures of docs/."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from ...lesson.practice.sung import SONG, WIDER, touching
from .conftest import At
from .jobs_by_hand import JIG, REEL, paste_tune

AWAY = '[aria-label^="put it back"]'
STATES: tuple[tuple[str, str], ...] = (
    ('[aria-label="put away Rushes at Low Water"]', "#back-again"), ("#laid-away", AWAY),
    ("#begin-chords", "#new-chords"), ("", "#part-learner"), ("#write-tune", "#abc"), ('.bar[data-bar="3"]', "#chord-field"),
    ('[data-at="shape-D"]', ".choices .hand"), ('[data-at="hand-A"]', ".cell-hand"), ("#make", "#begin-lesson"),
)  # fmt: skip


@pytest.mark.parametrize("size", [(1280, 900), (390, 844)], ids=str)
def test_axe_finds_nothing(at: At, axe: str, size: tuple[int, int]) -> None:
    """axe-core's rules for WCAG 2.2 A and AA and its best practices, in everything that can be opened."""
    at.browser.size(*size)
    wanted = "{runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}"
    for press, sees in STATES:
        if sees == "#part-learner":
            at.browser.keys("Escape")
            at.open("wet-socks.toml")
        if press:
            at.hands.press(press)
        at.hands.see(sees)
        if not at.browser.run("return typeof window.axe === 'object'"):
            at.browser.driver.execute_cdp_cmd("Runtime.evaluate", {"expression": axe})
        found = at.browser.wait(
            f"axe.run({wanted}).then((r) => done(r.violations.map((v) => [v.id, v.nodes.map((n) => n.html.slice(0, 120))])))"
        )
        assert found == [], (press, found)
        if sees in ("#chord-field", AWAY):
            at.browser.keys("Escape")


@pytest.mark.parametrize(
    "size", [(390, 844), (640, 450), (1280, 900)], ids=["390 px", "1280 x 900 at 200 %", "1280 px"]
)
def test_nothing_overflows_and_nothing_hides_what_is_worked_on(at: At, size: tuple[int, int]) -> None:
    at.browser.size(*size)
    at.open("lamplight.toml")
    wide = at.browser.run(
        "return [document.documentElement.scrollWidth, [...document.querySelectorAll('main *, #dock *, #rail *')].filter((e) =>"
        " !e.closest('svg, .stairs, .unseen') && e.getClientRects().length && (e.getBoundingClientRect().right > innerWidth + 1"
        " || e.getBoundingClientRect().left < -1)).map((e) => e.outerHTML.slice(0, 90))]"
    )
    assert wide == [size[0], []]
    for part in ("title", "tempo-start", "learner", "tuning"):
        covered = at.browser.run(
            "const e = document.getElementById(arguments[0]); e.scrollIntoView({block: 'center'});"
            "const b = e.getBoundingClientRect();"
            "const top = document.elementFromPoint(b.left + b.width / 2, b.top + b.height / 2);"
            "return e === top || e.contains(top)",
            part,
        )
        assert covered, part
    height = at.browser.run(
        "const d = document.querySelector('#dock');"
        "return getComputedStyle(d).position === 'fixed' ? d.offsetHeight / innerHeight : 0"
    )
    assert height < 0.34


def test_with_letters_twice_as_large_every_reason_and_every_chord_can_be_read(at: At) -> None:
    """Letters of 32 px, as a reader sets them in the browser; pixels of the window stay what they are."""
    gateposts = at.folder / "gateposts.toml"
    gateposts.write_text(gateposts.read_text("utf-8").rstrip() + '\n\n[changes]\n7 = "H7"\n', "utf-8")
    at.browser.tell("Page.setFontSizes", fontSizes={"standard": 32})
    try:
        at.browser.size(1366, 768)
        at.open("gateposts.toml")
        reason, paper, wide = at.browser.run(
            "const box = (s) => { const b = document.querySelector(s).getBoundingClientRect(); return [b.left, b.right]; };"
            "return [box('.red[data-bar=\"7\"]'), box('.paper'), document.documentElement.scrollWidth];"
        )
        assert paper[0] < reason[0] < reason[1] < paper[1]  # there is no room beside it
        assert wide == 1366
        at.browser.size(390, 844)
        cut = (
            "return [...document.querySelectorAll('.bar')].filter((one) => one.scrollWidth > one.clientWidth + 1)"
            ".map((one) => one.innerText)"
        )
        at.until(lambda: at.browser.run("return document.querySelectorAll('.bar').length") > 0)
        assert at.browser.run(cut) == []
    finally:
        at.browser.tell("Page.setFontSizes", fontSizes={"standard": 16})
    at.browser.run("location.reload()")
    at.hands.see(".changes")
    row = (
        "return [...document.querySelectorAll('.row')].map((row) => [...row.children].map((cell) => cell.offsetTop))"
        ".map((tops) => tops.filter((top) => top === tops[0]).length)"
    )
    assert max(at.browser.run(row)) == 4  # with letters as they are


def test_the_paper_follows_when_the_window_is_made_wider(at: At) -> None:
    """A screen that is turned: the staff is engraved for the wider paper, and no field keeps the width of smaller type."""
    at.browser.size(390, 844)
    at.open("lamplight.toml")
    narrow = at.sheet_staff()
    at.browser.size(1280, 900)
    at.until(lambda: at.sheet_staff() != narrow)
    at.until(
        lambda: at.browser.run(
            "const one = document.querySelector('#title'); return one.scrollWidth <= one.clientWidth"
        )
    )


@pytest.mark.parametrize("size", [(1280, 900), (390, 844)], ids=str)
def test_nothing_on_the_paper_is_cut_or_written_over(at: At, size: tuple[int, int]) -> None:
    at.browser.size(*size)
    (at.folder / "round.toml").write_text(
        'title = "Round G Em C D7 G/B D, just as it comes"\nprogression = "A: G | C\\nB: D | G/B D"\n'
        'compose = {seed = 1, dance = "reel"}\nform = "AABB"\n[changes]\n4 = "Em D7"\n',
        "utf-8",
    )
    crossed = (
        "const box = (e) => e.getBoundingClientRect(); return [...document.querySelectorAll('.changes .cell')].filter((cell) => {"
        "const name = cell.querySelectorAll('.number, .letter, .ending'), chords = box(cell.querySelector('.chords'));"
        "return [...name].some((e) => e.textContent && box(e).right > chords.left && box(e).left < chords.right"
        " && box(e).bottom > chords.top && box(e).top < chords.bottom); }).map((cell) => cell.textContent)"
    )
    (at.folder / "ends.abc").write_text(REEL, "utf-8")
    (at.folder / "ends.toml").write_text(
        'tune = "ends.abc"\n[changes]\n4 = "G/B D"\n5 = "Em7 A7"\n9 = "Am D7"\n', "utf-8"
    )
    here = "import('/page/stage.js').then(({ state }) => done(state.now?.name ?? null))"
    for name in ("wet-socks.toml", "round.toml", "ends.toml"):
        at.open(name)
        at.until(lambda name=name: at.promised(here) == name)
        at.until(
            lambda: at.browser.run("const t = document.querySelector('#title'); return t.scrollWidth <= t.clientWidth")
        )
        assert at.browser.run(crossed) == []
    stairs = (
        "return [...document.querySelectorAll('.stair > :first-child')].map((one) => one.classList.contains('pencil'))"
    )
    assert set(at.browser.run(stairs)) == {True}  # nothing of the plan is decided
    at.open("wet-socks.toml")
    at.until(lambda: at.browser.run("return document.querySelector('#title').value.startsWith('Wet')"))
    assert set(at.browser.run(stairs)) == {False}


def test_words_under_the_notes_keep_apart_in_wider_letters_too(at: At) -> None:
    at.browser.run(
        "const more = new CSSStyleSheet(); more.replaceSync(arguments[0]); document.adoptedStyleSheets = [more]", WIDER
    )
    (at.folder / "wet-socks.abc").write_text(SONG, encoding="utf-8")
    at.open("wet-socks.toml")
    at.until(lambda: touching(at.browser, ".music")[1] == [])
    assert touching(at.browser, ".music")[0] == 44


def test_on_a_phone_the_dock_leaves_the_paper_most_of_the_screen_and_the_places_stand_in_columns(at: At) -> None:
    at.browser.size(390, 844)
    at.open("lamplight.toml")
    assert at.browser.run("return document.querySelector('#dock').offsetHeight") < 0.17 * 844
    at.hands.press("#who")
    named = at.browser.run(
        "return [...document.querySelectorAll('.places legend')].map((one) => one.textContent.split(' ')[0])"
    )
    assert named == ["tune", "backup", "guitar", "click"]  # as the learner's page calls them
    columns = at.browser.run(
        "return ['near', 'middle_way', 'far', 'out'].map((place) => [...document.querySelectorAll("
        "`.places input[value=\"${place}\"]`)].map((one) => one.closest('label').getBoundingClientRect().left))"
    )
    assert all(len(column) == 4 and max(column) - min(column) < 6 for column in columns), columns


@pytest.mark.parametrize("size", [(1366, 768), (390, 844)], ids=str)
def test_the_shapes_of_a_chord_open_below_its_row_and_in_sight(at: At, size: tuple[int, int]) -> None:
    at.browser.size(*size)
    at.open("gateposts.toml")
    assert "press one for others" in at.browser.run("return document.querySelector('#part-fingers .hint').textContent")
    at.hands.press('[data-at="shape-G"]')
    at.hands.see(".choices .hand")
    row, first, top, bottom, below = at.browser.run(
        "const box = (one) => one.getBoundingClientRect();"
        "const choices = document.querySelector('.choices'), pressed = document.querySelector('[data-at=\"shape-G\"]');"
        "return [box(pressed.closest('.held')).bottom, box(choices.querySelector('h3')).top, box(choices).top,"
        " box(choices.querySelector('.hand')).bottom, box(document.querySelector('#dock')).top]"
    )
    assert row <= top < row + 60
    assert 0 <= first < bottom <= below


def test_the_page_stays_where_it_is_when_a_chord_is_typed(at: At) -> None:
    at.browser.size(1366, 768)
    at.open("gateposts.toml")
    for bar in ("3", "6"):
        at.browser.run("scrollTo(0, 214)")
        at.browser.run("document.querySelector(`.bar[data-bar='${arguments[0]}']`).click()", bar)
        at.hands.clear()
        at.hands.type("Em")
        at.browser.keys("Enter")
        at.until(lambda bar=bar: at.table("gateposts.toml").get("changes", {}).get(bar) == "Em")
        at.hands.kept()
        assert at.browser.run("return scrollY") == pytest.approx(214, abs=1)


def test_whatever_the_dock_says_nothing_on_it_moves(at: At) -> None:
    """What is pressed twice at one spot is the same player both times."""
    at.open("gateposts.toml")
    where = (
        "return [...document.querySelectorAll('#hear, #make, #record, .places label, .asin select')].map((one) =>"
        " { const box = one.getBoundingClientRect(); return [Math.round(box.left), Math.round(box.top)]; })"
    )
    stood = at.browser.run(where)
    assert len(stood) >= 20
    at.browser.run("document.querySelector('#at-melody-far').click()")
    at.hands.see("#keep-mix")
    assert at.browser.run(where) == stood
    at.browser.wait(
        "import('/page/stage.js').then(({ state }) => done(state.now.change([{ key: ['changes', '12'], value: 'H7' }])))"
    )
    at.until(lambda: "up to bar 11" in at.browser.run("return document.querySelector('.more').textContent"))
    at.hands.press("#round")
    assert at.browser.run(where) == stood


@pytest.mark.parametrize("bowing", ["double-shuffle", "strathspey"])  # two bars of eight cells; sixteen in one
def test_on_a_phone_a_finger_hits_a_cell_of_the_bow_and_a_chord_is_typed_below_its_bar(at: At, bowing: str) -> None:
    at.browser.size(390, 844)
    sheet = at.folder / "gateposts.toml"
    sheet.write_text(sheet.read_text("utf-8").replace("nashville-shuffle", bowing), "utf-8")
    at.open("gateposts.toml")
    at.hands.press('[data-at^="hand-"]')
    at.hands.see(".cell-hand")
    sizes = at.browser.run(
        "const box = (one) => one.getBoundingClientRect();"
        "return [[...document.querySelectorAll('.cell-hand')].map((one) => box(one).width),"
        " [...document.querySelectorAll('.board text')].map((one) => box(one).height)]"
    )
    assert len(sizes[0]) == 16
    assert at.browser.run("return document.documentElement.scrollWidth") == 390  # what is wider scrolls by itself
    assert min(sizes[0]) >= 32
    assert min(sizes[1]) >= 10
    at.hands.press('.bar[data-bar="12"]')
    at.hands.see("#chord-field")
    box, bar, word = at.browser.run(
        "const box = (s) => { const b = document.querySelector(s).getBoundingClientRect(); return [b.top, b.bottom] };"
        "return [box('.typing'), box('.bar[data-bar=\"12\"]'), document.querySelector('.typing').innerText]"
    )
    assert word.startswith("bar 12")
    assert bar[1] - bar[0] > 20  # still in sight
    assert 0 <= box[0] - bar[1] < 12


def test_what_can_be_changed_has_a_pencil_line(at: At) -> None:
    at.open("gateposts.toml")
    lines = (
        "return [...document.querySelectorAll('.paper .line')].map((one) => getComputedStyle(one).borderBottomStyle)"
    )
    far = "solid" if at.browser.run("return matchMedia('(hover: none)').matches") else "dotted"  # by touch always
    assert set(at.browser.run(lines)) == {far}
    at.browser.run("document.querySelector('#each').focus()")
    near = "return getComputedStyle(document.querySelector(arguments[0])).borderBottomStyle"
    assert [at.browser.run(near, field) for field in ("#tempos", "#tempo-goal", "#title")] == [
        "solid",
        "solid",
        far,
    ]


def test_what_is_told_stands_above_a_slip_that_is_laid_over_the_sheet(at: At) -> None:
    at.browser.size(1280, 700)
    at.open("gateposts.toml")
    at.browser.keys("?")
    at.hands.see("dl.keys")
    at.browser.wait("import('/page/dom.js').then(({ tell }) => { tell('Somebody has changed it'); done(); })")
    told, slip = at.browser.run(
        "return ['#said', '.slip'].map((one) => document.querySelector(one).getBoundingClientRect().toJSON())"
    )
    assert 0 <= told["top"] < told["bottom"] <= slip["top"]
    assert slip["bottom"] <= 700


def test_the_keys_stay_on_a_slip_whatever_comes_to_stand_on_it(at: At) -> None:
    """What was pressed on it is gone once it has been done."""
    at.open("wet-socks.toml")
    at.hands.press("#make")
    at.hands.see("#begin-lesson")
    at.browser.run("document.querySelector('.slip > div').replaceChildren('Stopped.')")
    at.until(lambda: at.browser.run("return document.activeElement.matches('.slip')"))
    at.browser.keys("Escape")
    at.hands.see(".slip", gone=True)
    assert at.browser.run("return document.activeElement.id") == "make"


def test_signs_that_need_words_have_them(at: At) -> None:
    """What a corner is for, of what the shares of a bar's chords tell, and how much an accent leans."""
    at.hands.see(".papers .corner")
    assert "lesson of several" in at.browser.run("return document.querySelector('.corner').title")
    assert "turn down their upper right corners" in at.browser.run("return document.querySelector('.seek').innerText")
    at.open("gateposts.toml")
    at.hands.press('.bar[data-bar="7"]')
    assert at.browser.run("return document.querySelector('.hints').innerText").count("how sure") == 1
    at.browser.keys("Escape")
    at.hands.press('[data-at="hand-"]')
    at.hands.see(".cell-hand")
    said = at.browser.run(
        "return [...document.querySelectorAll('.cell-hand')].map((one) => one.getAttribute('aria-label'))"
    )
    assert said[:4] == [
        "bar 1, on 1: down-bow, leaning 7 of 9",
        "bar 1, on 1 &: held",
        "bar 1, on 2: up-bow, leaning 9 of 9",
        "bar 1, on 2 &: down-bow, leaning 6 of 9",
    ]


def test_the_keys_do_what_the_list_says(at: At) -> None:
    at.open("gateposts.toml")
    at.browser.keys("?")
    at.hands.see("dl.keys")
    at.browser.keys("Escape")
    at.hands.see("dl.keys", gone=True)
    at.browser.keys("ArrowDown")
    assert at.browser.run("return document.activeElement.dataset.bar") == "5"
    at.browser.keys("ArrowUp", "ArrowRight")
    assert at.browser.run("return document.activeElement.dataset.bar") == "2"
    at.browser.keys("Shift+ArrowRight", "Shift+ArrowRight")
    assert at.browser.run("return document.querySelectorAll('.ringed').length") == 3
    at.browser.keys("Escape", "Alt+b")
    assert at.browser.run("return document.activeElement.closest('section')?.id") == "part-bow"
    at.browser.keys("Alt+s")
    at.hands.see(".papers a")


@pytest.mark.skipif("UNDERBOW_PICTURES" not in os.environ, reason="makes the pictures of docs/")
def test_pictures(at: At) -> None:
    """A jig that a teacher is at: chords suggested and decided, a wrong one, a bar being typed; then its bow, changed by hand."""
    folder, browser, hands = Path(os.environ["UNDERBOW_PICTURES"]), at.browser, at.hands
    browser.picture(folder / "desk-shelf.png")
    paste_tune(hands, JIG)
    for bar, chords in ((7, "D Bm"), (12, "H7")):
        hands.press(f'.bar[data-bar="{bar}"]')
        hands.see("#chord-field")
        hands.clear()
        hands.type(chords)
        browser.keys("Enter")
        hands.see(f'.bar.ink[data-bar="{bar}"]')
    hands.press('[data-at="shape-D"]')
    hands.see(".choices .hand")
    browser.run("document.querySelector('.choices .hand').click()")
    hands.see(".held .word")
    hands.press('.bar[data-bar="14"]')
    hands.see("#chord-field")
    hands.clear()
    hands.type("D E")
    hands.see(".hints .word")
    browser.run("scrollTo(0, 0)")
    browser.picture(folder / "desk-sheet.png")
    browser.keys("Escape")
    at.take_the_bow()
    browser.drag(".cell-hand:nth-of-type(2)", -40, 0, top=True)  # the turn a cell earlier: one stroke the less
    at.until(lambda: any("my-way" in path.name for path in at.folder.glob("*.toml")))
    browser.picture(folder / "desk-bow.png")
