"""A desk in headless Chromium, and hands on it."""

from __future__ import annotations

import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from ...lesson.practice.browsers import Chromium
from ..conftest import running
from .jobs_by_hand import SPY, Hands

# A file, its bytes in base64 and its name, let fall on the page.
DROP = """
const bytes = Uint8Array.from(atob(arguments[0]), (sign) => sign.charCodeAt(0)), files = new DataTransfer();
files.items.add(new File([bytes], arguments[1]));
const event = new DragEvent("drop", {bubbles: true, cancelable: true});
Object.defineProperty(event, "dataTransfer", {value: files});
dispatchEvent(event);
"""


@pytest.fixture(scope="module")
def browser(program: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chromium]:
    found = Chromium(program, tmp_path_factory.mktemp("chromium"), online=True, first=SPY)
    yield found
    found.quit()


class At:
    """A desk in the browser: hands on it, and its folder."""

    def __init__(self, browser: Chromium, folder: Path, address: str) -> None:
        self.browser, self.folder, self.address = browser, folder, address
        self.hands = Hands(browser, patience=120)
        browser.size(1280, 900)
        browser.go(address)
        self.hands.see("#begin-tune")

    def open(self, name: str) -> None:
        self.browser.run("location.hash = arguments[0]", f"#sheet/{name}")
        self.hands.see(".music svg" if name != "none" else ".wait")
        self.hands.see("#dock.open")

    def write_in_bar_4(self) -> tuple[str, int]:
        """Open the jig and its tune's text, the cursor in the middle of bar 4; give the text and the place in it."""
        self.open("wet-socks.toml")
        self.hands.press("#write-tune")
        self.hands.press("#abc")
        text = (self.folder / "wet-socks.abc").read_text("utf-8")
        place = text.index('"A"ecA c2e') + len('"A"ecA')
        self.browser.run("document.querySelector('#abc').setSelectionRange(arguments[0], arguments[0])", place)
        return text, place

    def write_no_chord_in_bar_7(self) -> None:
        """Open a sheet and write what is no chord here."""
        self.open("gateposts.toml")
        self.hands.press('.bar[data-bar="7"]')
        self.browser.run("document.querySelector('#chord-field').select()")
        self.hands.type("H7")
        self.browser.keys("Enter")
        self.hands.see('.bar.wrong[data-bar="7"]')

    def make_the_lesson(self) -> None:
        """Ask for the lesson of what is on the stand."""
        self.hands.press("#make")
        self.hands.press("#begin-lesson")

    def take_the_bow(self) -> None:
        """Begin to change the strokes by hand, with the drawing in the middle of the window."""
        self.hands.press('[data-at="hand-"]')
        self.hands.see(".cell-hand")
        self.browser.run("document.querySelector('.board').scrollIntoView({block: 'center'})")

    def table(self, name: str) -> dict[str, Any]:
        return tomllib.loads((self.folder / name).read_text("utf-8"))

    def promised(self, script: str) -> Any:
        """What a promise calls ``done`` with; None where it can't be had yet."""
        return self.browser.wait(f"({script}).catch(() => done(null))")

    def sheet_staff(self) -> str:
        return self.browser.run("return document.querySelector('.music').innerHTML")

    def complaints(self) -> list[str]:
        """Everything that the console and the spy have to say."""
        return [*self.browser.said(), *self.browser.run("return spy.faults")]

    def until(self, true: Callable[[], bool]) -> None:
        end = time.monotonic() + 60
        while not true():
            assert time.monotonic() < end, self.browser.run("return document.body.innerText.slice(0, 900)")
            time.sleep(0.05)


@pytest.fixture
def at(browser: Chromium, lessons: Path) -> Iterator[At]:
    with running(lessons) as (_, address):
        yield At(browser, lessons, address)
        with suppress(Exception):
            browser.go("about:blank")


@pytest.fixture
def empty(browser: Chromium, tmp_path: Path) -> Iterator[At]:
    folder = tmp_path / "empty"
    folder.mkdir()
    with running(folder) as (_, address):
        yield At(browser, folder, address)
        with suppress(Exception):
            browser.go("about:blank")
