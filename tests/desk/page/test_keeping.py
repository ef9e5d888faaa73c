"""What is kept and handed out: lessons, copies, what can't be saved, what somebody else changed, texts that try everything."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import pytest

from ...lesson.practice.browsers import Chromium
from ..conftest import running
from .conftest import At
from .jobs_by_hand import JIG, REEL, WALTZ

HOSTILE = "</script><img src=x onerror=window.caught=1><svg/onload=window.caught=2>'\"&{css}"


def test_a_lesson_can_be_stopped_and_leaves_nothing(at: At) -> None:
    at.open("wet-socks.toml")
    at.make_the_lesson()
    at.hands.see("#stop-lesson")
    at.hands.press("#stop-lesson")
    at.until(lambda: "Stopped" in at.browser.run("return document.querySelector('.slip').textContent"))
    assert not [path for path in (at.folder / "lessons").rglob("*") if path.is_file()]
    assert "doctor" in at.browser.run("return document.querySelector('.care').textContent")


def test_what_was_asked_for_is_told_where_the_slip_was_put_away_meanwhile(at: At) -> None:
    (at.folder / "short.toml").write_text(
        'title = "Short"\nabc = """\nX:1\nM:4/4\nL:1/4\nK:G\n"G"GABc|"D"d4|]\n"""\npattern = "saw"\n'
        "[tempo]\nstart = 200\ngoal = 200\npasses = 1\ncount_in = 1\n", "utf-8",
    )  # fmt: skip
    said = "return document.querySelector('#said').textContent"
    at.open("short.toml")
    at.make_the_lesson()
    at.hands.see("#stop-lesson")
    at.browser.keys("Escape")
    at.until(lambda: at.browser.run(said) == "The lesson is ready: “Short” in the folder “lessons”.")
    silent = (
        "Promise.all(['stage', 'record', 'take'].map((one) => import(`/page/${one}.js`))).then(([stage, record, take]) => {"
        "const file = new File([take.wav(new Float32Array(132300), 44100)], 'hush.wav');"
        "done(record.handIn(stage.state.now, file).then(() => null)); stage.leave(); })"
    )
    at.browser.wait(silent)
    at.until(lambda: "short-hush.html in your folder" in at.browser.run(said))


def test_the_lesson_is_refused_in_the_words_of_the_margin(at: At) -> None:
    at.write_no_chord_in_bar_7()
    beside = at.browser.run("return document.querySelector('.red[data-bar=\"7\"]').textContent")
    at.make_the_lesson()
    at.until(lambda: at.browser.run("return document.querySelector('.slip .wrong').textContent") != "")
    assert at.browser.run("return document.querySelector('.slip .wrong').textContent") == f"The changes: {beside}"


def test_several_tunes_that_were_pasted_become_sheets_at_once(empty: At) -> None:
    tunes = [tune.replace("X:1", f"X:{number}") for number, tune in enumerate((REEL, JIG, WALTZ), 1)]
    empty.hands.press("#begin-tune")
    empty.hands.see("#new-tune")
    empty.hands.paste("\n".join(tunes))
    empty.hands.press("#to-the-stand")
    empty.hands.see("#to-the-shelf", gone=True)  # until one is ticked
    empty.hands.see(".tunes")
    assert empty.browser.run("return document.querySelector('.slip h2').textContent") == "The tunes that you pasted"
    empty.hands.tab_to('[data-tune="0"]')
    empty.browser.keys("Space")
    empty.hands.press('[data-tune="2"]')
    empty.hands.press("#to-the-shelf")
    empty.until(lambda: empty.browser.run("return document.querySelectorAll('.papers a').length") == 2)
    assert sorted(path.name for path in empty.folder.glob("*.toml")) == [
        "lamp-in-the-byre.toml",
        "moss-on-the-lintel.toml",
    ]
    assert "2 sheets were made" in empty.browser.run("return document.querySelector('#said').textContent")
    assert empty.complaints() == []


def test_a_class_without_a_title_has_a_name_of_its_own(at: At) -> None:
    for place in (1, 2, 3):
        at.hands.press(f".papers:not(.blanks) li:nth-child({place}) .corner")
    titles = at.browser.run(
        "return [...document.querySelectorAll('.papers:not(.blanks) b')].slice(0, 3).map((one) => one.textContent)"
    )
    at.hands.press("#make")
    at.hands.see("#lesson-title")
    assert at.browser.run("return document.querySelector('#lesson-title').value") == f"{titles[0]} and 2 more"
    assert at.complaints() == []


def test_a_sheet_is_copied_and_put_away_and_comes_back_by_keyboard(at: At) -> None:
    titles = "return [...document.querySelectorAll('.papers:not(.blanks) b')].map((one) => one.textContent)"
    before = at.browser.run(titles)
    first = before[0]
    at.hands.tab_to(f'[aria-label="make a copy of {first}"]')
    at.browser.keys("Enter")
    at.until(lambda: at.browser.run(titles)[:2] == [first, f"{first}, copy"])
    assert at.browser.run("return document.activeElement.querySelector('b').textContent") == f"{first}, copy"
    assert "Both play the tune in" in at.browser.run("return document.querySelector('#said').textContent")
    at.hands.tab_to(f'[aria-label="put away {first}, copy"]')
    at.browser.keys("Enter")
    at.until(lambda: at.browser.run(titles) == before)
    at.hands.see("#back-again")
    at.browser.keys("Control+z")
    at.until(lambda: f"{first}, copy" in at.browser.run(titles))
    at.hands.see("#laid-away", gone=True)
    at.browser.keys("Control+z")
    at.until(lambda: "nothing left" in at.browser.run("return document.querySelector('#said').textContent"))
    at.hands.press(f'[aria-label="put away {first}"]')
    at.until(lambda: first not in at.browser.run(titles))
    at.hands.see("#back-again")
    at.open("wet-socks.toml")
    at.hands.press("#back-again")  # it can be put back from a sheet, which stays
    at.until(lambda: "is back" in at.browser.run("return document.querySelector('#said').textContent"))
    at.hands.see("#part-learner")
    at.browser.keys("Alt+s")
    at.until(lambda: first in at.browser.run(titles))
    at.hands.press(f'[aria-label="put away {first}"]')
    at.until(lambda: first not in at.browser.run(titles))
    at.browser.run("location.reload()")  # it is told again, however long ago it was
    at.hands.press("#laid-away")
    at.hands.press(f'[aria-label="put it back: {first}"]')
    at.until(lambda: first in at.browser.run(titles))
    assert at.browser.run("return document.activeElement.querySelector('b').textContent") == first
    assert at.complaints() == []


UNSAVED = "const one = document.querySelector(arguments[0]); return one && one.innerText"


@pytest.mark.skipif(sys.platform != "linux", reason="sets another program's limit as Linux does")
def test_what_cannot_be_saved_stays_where_it_was_typed_with_the_reason(browser: Chromium, lessons: Path) -> None:
    """No file may grow beyond nothing (RLIMIT_FSIZE): a disk that takes no more, whoever runs the tests."""
    resource = pytest.importorskip("resource")
    before = (lessons / "gateposts.toml").read_bytes()
    with running(lessons) as (program, address):
        at = At(browser, lessons, address)
        at.open("gateposts.toml")
        limit = resource.prlimit(program.pid, resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))
        at.hands.press("#learner")
        at.hands.type("Slowly")
        at.hands.press("#tempo-goal")  # which keeps the words first
        at.browser.run("document.activeElement.select()")
        at.hands.type("88")
        at.browser.keys("Enter")
        at.hands.see("#part-plan p.unkept")
        at.until(lambda: browser.run("return document.querySelector('#kept').dataset.kept") == "failed")
        assert "gateposts.toml can't be saved" in browser.run(UNSAVED, "#part-learner p.unkept")
        assert browser.run("return document.querySelector('#learner').value") == "Slowly"
        assert browser.run("return document.querySelector('#tempo-goal.unkept').value") == "88"
        red = "return getComputedStyle(document.querySelector(arguments[0])).color"
        assert browser.run(red, "#tempo-goal") == browser.run(red, "#part-plan p.unkept") == "rgb(163, 22, 10)"
        assert (lessons / "gateposts.toml").read_bytes() == before
        resource.prlimit(program.pid, resource.RLIMIT_FSIZE, limit)
        at.hands.press('[data-at="again-plan"]')
        at.hands.kept()
        at.hands.see("p.unkept", gone=True)
        table = at.table("gateposts.toml")
        assert (table["tempo"]["goal"], table["to_learner"]) == (88, "Slowly")
        assert browser.run("return spy.faults") == []
        program.terminate()
        program.wait(20)
        at.hands.press("#title")
        at.browser.keys("End", "!", "Enter")
        at.hands.see("#part-head p.unkept")
        assert "Start it again as you did before" in browser.run(UNSAVED, "#part-head p.unkept")
        assert browser.run("return document.querySelector('#title.unkept').value").endswith("!")
        browser.go("about:blank")


@pytest.mark.skipif(sys.platform != "linux", reason="sets another program's limit as Linux does")
def test_who_leaves_what_is_not_saved_is_asked(browser: Chromium, lessons: Path) -> None:
    resource = pytest.importorskip("resource")
    leaves = (
        "const e = new Event('beforeunload', {cancelable: true}); dispatchEvent(e);"
        "return [e.defaultPrevented, location.hash, document.querySelector('#title')?.value ?? 'the shelf']"
    )
    with running(lessons) as (program, address):
        at = At(browser, lessons, address)
        at.open("gateposts.toml")
        title = at.table("gateposts.toml")["title"]
        assert browser.run(leaves) == [False, "#sheet/gateposts.toml", title]
        limit = resource.prlimit(program.pid, resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))
        for end in ("!", "?"):
            at.hands.press("#title")
            at.browser.keys("End", end, *(["Enter"] if end == "!" else []))  # or it is still being typed
            if end == "!":
                at.hands.see("#part-head p.unkept")
            at.browser.keys("Alt+s")
            at.hands.press("#stay")
            at.hands.see("#part-head p.unkept")
            at.hands.see("#stay", gone=True)
            assert browser.run(leaves) == [True, "#sheet/gateposts.toml", title + end]
            at.browser.keys("Alt+s")
            at.hands.see("#stay")
            assert "The heading of the sheet" in browser.run("return document.querySelector('.slip').innerText")
            if end == "?":
                resource.prlimit(program.pid, resource.RLIMIT_FSIZE, limit)
            at.hands.press("#lose" if end == "!" else "#try-again")
            at.hands.see(".papers a")
            assert browser.run(leaves) == [False, "", "the shelf"]
            at.open("gateposts.toml")
        assert at.table("gateposts.toml")["title"] == f"{title}?"
        assert browser.run("return spy.faults") == []
        at.browser.go("about:blank")


def test_what_is_still_on_its_way_is_saved_when_the_sheet_is_left(at: At) -> None:
    """Changes that wait for one another, and a title that is still being typed, on a desk that takes its time."""
    at.open("gateposts.toml")
    at.browser.tell("Network.enable")
    slow = {"offline": False, "latency": 300, "downloadThroughput": -1, "uploadThroughput": -1}
    at.browser.tell("Network.emulateNetworkConditions", **slow)
    try:
        at.hands.press("#title")
        at.browser.keys("End", "!")
        said = at.browser.wait(
            "import('/page/stage.js').then(async ({ state }) => {"
            "const put = (bar) => state.now.change([{ key: ['changes', bar], value: 'Em' }]);"
            "const first = put('5'); put('6'); put('7'); await first;"
            "const said = document.querySelector('#kept').dataset.kept;"
            "location.hash = '#'; done(said); })"
        )
        assert said == "no"  # two of them are still on their way
        at.hands.see("#find")
        titles = at.browser.run("return [...document.querySelectorAll('.papers b')].map((one) => one.textContent)")
    finally:
        at.browser.tell("Network.emulateNetworkConditions", **(slow | {"latency": 0}))
    table = at.table("gateposts.toml")
    assert {bar: table["changes"].get(bar) for bar in "567"} == dict.fromkeys("567", "Em")
    assert table["title"].endswith("!")
    assert table["title"] in titles  # the shelf waits for it
    assert at.complaints() == []


def test_somebody_elses_change_is_shown_beside_ones_own(at: At) -> None:
    at.open("rushes.toml")
    at.browser.run("import('/page/stage.js').then(({ state }) => clearInterval(state.now.watch))")
    goal = at.table("rushes.toml")["tempo"]["goal"]
    theirs = (at.folder / "rushes.toml").read_text("utf-8").rstrip() + '\n\n[changes]\n3 = "Em"\n\n# theirs\n'
    theirs = re.sub(r"(goal\s*=\s*)\d+", rf"\g<1>{goal + 7}", theirs)
    (at.folder / "rushes.toml").write_text(theirs, "utf-8")
    at.hands.press("#title")
    at.hands.type("!")
    at.browser.keys("Enter")
    at.hands.see(".differs")
    said = at.browser.run("return document.querySelector('.slip').innerText")
    assert "Somebody" not in said
    assert re.search(rf"Tempo: yours \d+ to {goal}, in the file now \d+ to {goal + 7}\n", said), said
    assert "Chords of bar 3: yours nothing, in the file now Em" in said
    assert "Title: yours" in said
    assert "# theirs" not in said  # the text itself lies behind a fold
    at.browser.run("document.querySelector('.slip summary').click()")
    assert "# theirs" in at.browser.run("return document.querySelectorAll('.two pre')[1].innerText")
    assert (at.folder / "rushes.toml").read_text("utf-8") == theirs
    at.browser.run("[...document.querySelectorAll('.slip .word')].at(-1).click()")
    at.until(lambda: at.table("rushes.toml")["title"].count("!") == 1)
    assert (at.folder / "rushes.toml").read_text("utf-8").endswith("# theirs\n")


def test_no_text_of_any_file_runs_as_a_script(at: At) -> None:
    """Titles, words, chords, patterns, mixes, tunes and file names that try everything."""
    quoted = json.dumps(HOSTILE)
    (at.folder / "mine.toml").write_text(
        f'title = {quoted}\naka = [{quoted}]\nmeter = "4/4"\ncells = 4\nbow = "d u d u"\naccent = "8 6 7 6"\n'
        f'tempo = {{ beat = "1/4", low = 60, high = 120 }}\nsource = {quoted}\nabout = {quoted}\n', "utf-8",
    )  # fmt: skip
    (at.folder / "bad.abc").write_text(
        f'X:1\nT:{HOSTILE}\nC:{HOSTILE}\nR:{HOSTILE}\nM:4/4\nL:1/4\nK:G\nP:A\n'
        f'"G"GABc|"^{HOSTILE}"d4|"D{HOSTILE}"d4|G4|]\nw:{HOSTILE}\n', "utf-8"
    )  # fmt: skip
    (at.folder / "bad.toml").write_text(
        f'title = {quoted}\ntune = "bad.abc"\npattern = "mine.toml"\nto_learner = {quoted}\n[changes]\n2 = {quoted}\n'
        '[[mix]]\nname = "<img src=x onerror=window.caught=1>"\nmelody = 0\n', "utf-8",
    )  # fmt: skip
    (at.folder / "'&onerror=alert(1) x='.toml").write_text(f"title = {quoted}\nnonsense = {quoted}\n", "utf-8")
    at.browser.go(at.address.partition("?")[0])
    at.hands.see(".papers a")
    at.open("bad.toml")
    at.hands.press('[data-at="bowing-"]')
    at.hands.see(".choice")
    at.hands.press("#write-tune")
    at.hands.press("#make")
    at.browser.keys("Escape")
    assert at.browser.run(
        "return [window.caught ?? null, document.querySelectorAll('main script, main img, #over script').length]"
    ) == [None, 0]
    assert HOSTILE in at.browser.run("return document.querySelector('#title').value")
    at.browser.run("location.hash = arguments[0]", "#sheet/" + "'%26onerror%3Dalert(1)%20x%3D'.toml")
    at.hands.see("#part-head .red")
    assert at.browser.run("return window.caught ?? null") is None
    assert at.complaints() == []


def test_closing_ends_the_program(at: At) -> None:
    assert at.browser.run("return document.querySelector('#close').textContent") == "close the desk"  # not the sheet
    at.hands.press("#close")
    at.until(lambda: "You can close this tab" in at.browser.run("return document.body.innerText"))
