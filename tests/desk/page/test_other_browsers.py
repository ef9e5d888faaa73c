"""The desk in Firefox and WebKit: begun by chords, heard, put away, not saved. The eight jobs stand in benchmarks/desk."""

from __future__ import annotations

import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from ...lesson.practice.browsers import Firefox, webkit
from ...lesson.practice.surroundings import sound_server, window
from ..conftest import running
from .jobs_by_hand import Hands, round_begun_by_keys


def opened(name: str, program: Callable[[str], str], place: Path, stack: ExitStack) -> Any:
    stack.enter_context(sound_server(program, place / "sound"))
    stack.enter_context(window(program))
    browser = Firefox(program, place / name, seen=True) if name == "firefox" else webkit(program, place / name)
    stack.callback(browser.quit)
    return browser


def at_the_desk(name: str, program: Callable[[str], str], place: Path, stack: ExitStack) -> tuple[Hands, Path, Any]:
    """Open the desk on an empty folder in a browser of this name; give the hands, the folder and the program."""
    folder = place / "lessons"
    folder.mkdir()
    browser = opened(name, program, place, stack)
    desk, address = stack.enter_context(running(folder))
    browser.size(1280, 900)
    browser.go(address)
    return Hands(browser, patience=120), folder, desk


def copied_and_put_away_and_back(hands: Hands, folder: Path) -> None:
    """By mouse, from a sheet on the stand."""
    names = "return [...document.querySelectorAll('.papers:not(.blanks) b')].map((one) => one.textContent)"
    hands.press("#to-shelf")
    hands.see(".papers a")
    (title,) = hands.browser.run(names)
    hands.press(f'[aria-label="make a copy of {title}"]')
    hands.see(f'[aria-label="put away {title}, copy"]')
    assert hands.browser.run(names) == [title, f"{title}, copy"]
    hands.press(f'[aria-label="put away {title}, copy"]')
    hands.see(f'[aria-label="put away {title}, copy"]', gone=True)
    assert len(list((folder / "put away").glob("*.toml"))) == 1
    hands.press("#back-again")
    hands.see(f'[aria-label="put away {title}, copy"]')
    assert len(list(folder.glob("*.toml"))) == 3  # the bowing of one's own among them


def marked_and_asked_about_while_nothing_can_be_saved(hands: Hands, folder: Path, desk: subprocess.Popen[str]) -> None:
    """No file may grow beyond nothing (RLIMIT_FSIZE): a disk that takes no more."""
    resource = pytest.importorskip("resource")
    limit = resource.prlimit(desk.pid, resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))
    hands.tab_to("#title")
    hands.key("End", "!", "Enter")
    hands.see("#part-head p.unkept")
    assert hands.browser.run(
        "const e = new Event('beforeunload', {cancelable: true}); dispatchEvent(e);"
        "return [e.defaultPrevented, document.querySelector('#kept').dataset.kept,"
        "  getComputedStyle(document.querySelector('#title')).color]"
    ) == [True, "failed", "rgb(163, 22, 10)"]
    hands.press("#to-shelf")
    hands.see("#stay")
    resource.prlimit(desk.pid, resource.RLIMIT_FSIZE, limit)
    hands.press("#try-again")
    hands.see(".papers a")
    assert tomllib.loads((folder / "round-g-c-d.toml").read_text("utf-8"))["title"].endswith("!")


@pytest.mark.parametrize("name", ["firefox", "webkit"])
def test_a_round_is_begun_changed_heard_bowed_copied_and_put_away(
    name: str, program: Callable[[str], str], tmp_path: Path
) -> None:
    with ExitStack() as stack:
        hands, folder, _ = at_the_desk(name, program, tmp_path, stack)
        browser = hands.browser
        hands.press("#begin-chords")
        hands.see("#new-chords")
        hands.type("G C D G")
        hands.key("Enter")
        hands.on_the_stand()
        hands.press('.bar[data-bar="3"]')
        hands.see("#chord-field")
        browser.run("document.activeElement.select()")
        hands.type("Am")
        hands.key("Enter")
        hands.kept()
        sheet = folder / "round-g-c-d.toml"
        assert tomllib.loads(sheet.read_text("utf-8"))["changes"] == {"3": "Am"}
        hands.press("#hear")
        hands.see(".sounding")
        hands.see(".music .played")
        first = browser.run("return document.querySelector('.sounding').dataset.bar")
        end = time.monotonic() + 60
        while browser.run("return document.querySelector('.sounding')?.dataset.bar ?? ''") == first:
            assert time.monotonic() < end, "the sound stands still"
            time.sleep(0.1)
        hands.press("#hear")
        hands.press('[data-at="hand-"]')
        hands.press(".cell-hand:nth-of-type(3)")
        hands.see('[data-act="do_chop"]')
        hands.key("x")
        end = time.monotonic() + 60
        while not list(folder.glob("*my-way.toml")):
            assert time.monotonic() < end, "the bowing isn't kept"
            time.sleep(0.1)
        copied_and_put_away_and_back(hands, folder)


@pytest.mark.parametrize("name", ["firefox", "webkit"])
def test_a_round_is_begun_changed_and_its_lesson_asked_for_by_keys_alone(
    name: str, program: Callable[[str], str], tmp_path: Path
) -> None:
    with ExitStack() as stack:
        hands, folder, desk = at_the_desk(name, program, tmp_path, stack)
        browser = hands.browser
        round_begun_by_keys(hands)
        hands.tab_to("#bars")
        hands.type("1-2")
        hands.key("Enter")
        hands.kept()
        assert tomllib.loads((folder / "round-g-c-d.toml").read_text("utf-8"))["bars"] == "1-2"
        hands.tab_to("#make")
        hands.key("Enter")
        hands.see("#begin-lesson")
        assert browser.run("return document.activeElement.id") == "begin-lesson"
        hands.key("Escape")
        hands.see("#begin-lesson", gone=True)
        if sys.platform == "linux":  # sets another program's limit as Linux does
            marked_and_asked_about_while_nothing_can_be_saved(hands, folder, desk)
