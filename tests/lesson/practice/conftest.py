"""A short track, its page, and browsers without a network to open it in."""

from __future__ import annotations

import base64
import hashlib
import os
import subprocess
import tarfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from underbow.lesson.practice.audio import RATE, PageAudio, page_audio
from underbow.lesson.practice.page import make_page
from underbow.lesson.practice.words import ENGLISH
from underbow.track.performance import Performance
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet

from .browsers import Browser, Chromium, Firefox, webkit
from .surroundings import display, sound_server

# A pickup, first and second endings, two chords in a bar, a slur over the bar line, a finger that stays.
TUNE = """X:1
T:Short Ladder
M:C|
L:1/8
R:reel
K:G
P:A
DF|:"G"G2BG dGBG|"C"E2 GE "D"F2 AF|1 "Em"GFED B,2 EF|"G"G2 D2 G2 DF:|2 "Am"ABcA "D7"BAGF|"G"G2 B2 G4||
P:B
|:"C"c2 ec g2 ec|"G"d2 Bd "D"A2 FA|"Em"G2 BG "Bm"F2 dF|"G"G2 B2 G4:|
"""
AXE = "axe-core@4.14.1"

# Written into the page before its own script: notes what is sent to the loudspeaker, when and by which way, and what goes wrong.
SPY = """
window.spy = {sent: [], faults: [], contexts: [], ways: []};
addEventListener("error", (event) => spy.faults.push(event.message));
addEventListener("unhandledrejection", (event) => spy.faults.push(String(event.reason)));
addEventListener("securitypolicyviolation", (event) => spy.faults.push(event.violatedDirective));
for (const kind of ["error", "warn"]) {
  const plain = console[kind];
  console[kind] = (...said) => { spy.faults.push(said.join(" ")); plain.apply(console, said); };
}
const join = AudioNode.prototype.connect;
AudioNode.prototype.connect = function (to, ...more) { this.to = to; return join.call(this, to, ...more); };
const plain = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (when, ...more) {
  if (!spy.ways.includes(this.to)) spy.ways.push(this.to);
  const sound = this.buffer.getChannelData(0).slice();
  spy.sent.push({when, sound, rate: this.buffer.sampleRate, way: spy.ways.indexOf(this.to)});
  if (!spy.contexts.includes(this.context)) spy.contexts.push(this.context);
  return plain.call(this, when, ...more);
};
// Firefox may hang where it is asked for a latency while it opens the loudspeaker.
spy.opening = (context) => "mozInnerScreenX" in window && context.currentTime - spy.sent[0].when < 5.5;
spy.clock = () => {  // the context's time of the sound that leaves the loudspeaker now
  const context = spy.contexts.at(-1);
  if (spy.opening(context)) return context.currentTime;
  const stamp = context.getOutputTimestamp();
  const exact = stamp.contextTime + (performance.now() - stamp.performanceTime) / 1000;
  return Math.abs(exact - context.currentTime) < 0.6 ? exact : context.currentTime - (context.outputLatency || 0);
};
"""


@dataclass(frozen=True)
class Track:
    """A sheet, what it plays, its sound and its page."""

    sheet: Sheet
    performance: Performance
    audio: PageAudio
    path: Path


def short_sheet(title: str = "Short Ladder", **table: Any) -> Sheet:
    return build_sheet(
        {
            "title": title,
            "abc": TUNE,
            "pattern": "georgia-shuffle",
            "tempo": {"beat": "1/2", "start": 100, "goal": 140, "passes": 3, "count_in": 1},
            **table,
        }
    )


def no_sound(performance: Performance) -> PageAudio:
    """A page's audio that can't be played, for pages that are only looked at."""
    return PageAudio({"melody": (b"no sound",)}, tuple(range(len(performance.passes))), 1000, 0.0)


@pytest.fixture(scope="session")
def track(tmp_path_factory: pytest.TempPathFactory) -> Track:
    sheet = short_sheet()
    performance = perform(sheet)
    audio = page_audio(performance, sheet.mixes, voices="builtin")
    path = tmp_path_factory.mktemp("page") / "short ladder.html"
    path.write_bytes(make_page(sheet, performance, sheet.mixes, audio))
    return Track(sheet, performance, audio, path)


@pytest.fixture(scope="session")
def hostile(track: Track, tmp_path_factory: pytest.TempPathFactory) -> Track:
    """The same with a title and mixes that try everything."""
    title = "</script><script>window.caught=1</script>\u2028\"'&amp;{css}\u202e\u05e9\u05d9\u05e8 🎻 " + "long" * 2500
    mixes = tuple(
        replace(mix, name=f"{mix.name}</script><img src=x onerror='window.caught=1'>\u2029{'wide' * 60}")
        for mix in track.sheet.mixes
    )
    sheet = replace(short_sheet(pattern="strathspey", strings="middle"), title=title)  # longer than a sheet may say
    performance = perform(sheet)
    path = tmp_path_factory.mktemp("page") / "hostile.html"
    path.write_bytes(make_page(sheet, performance, mixes, track.audio))
    return Track(sheet, performance, track.audio, path)


class Page:
    """A page in a browser."""

    def __init__(self, browser: Browser, folder: Path) -> None:
        self.browser, self._folder, self._numbers = browser, folder, count()

    def open(self, path: Path, width: int = 1440, height: int = 900) -> None:
        """Open a copy that has the spy in it."""
        self.visit(self.spied(path).as_uri(), width, height)

    def spied(self, path: Path) -> Path:
        """Copy a page, the spy before its own script, which its policy must allow."""
        text = path.read_text(encoding="utf-8")
        digest = base64.b64encode(hashlib.sha256(SPY.encode()).digest()).decode()
        text = text.replace("script-src '", f"script-src 'sha256-{digest}' '", 1)
        text = text.replace(
            '<script type="application/json"', f'<script>{SPY}</script>\n<script type="application/json"', 1
        )
        copy = self._folder / f"{next(self._numbers)} {path.name}"
        copy.write_text(text, encoding="utf-8")
        return copy

    def visit(self, address: str, width: int = 1440, height: int = 900) -> None:
        if isinstance(self.browser, Chromium):
            self.browser.driver.get_log("browser")
            self.browser.look()
        self.browser.size(width, height)
        self.browser.go(address)

    def run(self, script: str, *values: Any) -> Any:
        return self.browser.run(script, *values)

    def wait(self, script: str, *values: Any) -> Any:
        return self.browser.wait(script, *values)

    def until(self, condition: str, *values: Any) -> None:
        self.wait(
            f"const given = arguments; const look = () => ({condition}) ? done() : setTimeout(look, 10); look();",
            *values,
        )

    def press(self, selector: str) -> None:
        self.run("document.querySelector(arguments[0]).click()", selector)

    def text(self, selector: str) -> str:
        return str(self.run("return document.querySelector(arguments[0]).textContent", selector))

    def choose(self, selector: str, value: Any) -> None:
        """Set a slider or a list."""
        self.run(
            "const e = document.querySelector(arguments[0]); e.value = arguments[1];"
            "e.dispatchEvent(new Event('input', {bubbles: true})); e.dispatchEvent(new Event('change', {bubbles: true}))",
            selector,
            value,
        )

    def go(self, seconds: float) -> None:
        self.choose("#place", 1000 * seconds)

    def play(self, *, counted: bool = False) -> None:
        """Press play, by default without a count-in, and wait for the sound."""
        if not counted:
            self.choose("#counted", "none")
        before = self.run("return spy.sent.length")
        self.start(lambda: self.browser.click("#play"))  # a real press: WebKit lets no sound begin without one
        self.until("spy.sent.length > given[0] && spy.clock() > spy.sent[given[0]].when + 0.05", before)

    def start(self, press: Callable[[], None]) -> None:
        """Press until it plays: on a busy machine a browser's sound may take longer to come than the page waits."""
        for _ in range(5):
            press()
            self.until(
                "document.body.classList.contains('playing') || document.getElementById('told').classList.contains('seen')"
                " && document.getElementById('told').textContent !== given[0]",
                ENGLISH["opening"],
            )
            if self.run("return document.body.classList.contains('playing')"):
                return
        raise AssertionError(f"it doesn't play: {self.text('#told')}")

    def until_sent(self, frames: float) -> None:
        """Wait until so many frames of each part have been sent to the loudspeaker."""
        self.until("spy.sent.reduce((n, s) => n + (s.way === 0 ? s.sound.length : 0), 0) > given[0]", frames)

    def begun(self, start: int = 0) -> float:
        """The context's time at which the first leg after so many sent buffers begins: they fade in over the first."""
        when, length = self.run("const s = spy.sent[arguments[0]]; return [s.when, s.sound.length / s.rate]", start)
        return float(when + length)

    def stream(self, way: int, start: int = 0) -> np.ndarray:
        """All that went one way, from the first leg's beginning; ways count from 0 in the order in which they were first used."""
        text = self.run(
            "const chosen = spy.sent.filter((s, i) => s.way === arguments[0] && i >= arguments[1]);"
            "const parts = chosen.map((s) => s.sound);"
            "const all = new Float32Array(parts.reduce((n, p) => n + p.length, 0)); let at = 0;"
            "for (const part of parts) { all.set(part, at); at += part.length; }"
            "const bytes = new Uint8Array(all.buffer); let text = '';"
            "for (let i = 0; i < bytes.length; i += 32768) text += String.fromCharCode(...bytes.subarray(i, i + 32768));"
            "return btoa(text)",
            way,
            start,
        )
        return np.frombuffer(base64.b64decode(text), np.float32)[round(0.01 * RATE) :]

    def complaints(self) -> list[Any]:
        """Everything the console and the spy have to say."""
        said = self.browser.driver.get_log("browser") if isinstance(self.browser, Chromium) else []
        return [*said, *self.run("return spy.faults")]


@pytest.fixture(scope="session")
def surroundings(program: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """What browsers need around them: a sound server that plays into nothing, a display that nobody sees."""
    folder = tmp_path_factory.mktemp("browsers")
    with ExitStack() as stack:
        stack.enter_context(sound_server(program, folder / "sound"))
        stack.enter_context(display(program))
        yield folder


@pytest.fixture(scope="session")
def browser(program: Callable[[str], str], surroundings: Path) -> Iterator[Page]:
    """Chromium, which most tests need only."""
    chromium = Chromium(program, surroundings / "chromium")
    yield Page(chromium, surroundings)
    chromium.quit()


@pytest.fixture(scope="session")
def firefox(program: Callable[[str], str], surroundings: Path) -> Iterator[Page]:
    found = Firefox(program, surroundings / "firefox")
    yield Page(found, surroundings)
    found.quit()


@pytest.fixture(scope="session")
def webkitgtk(program: Callable[[str], str], surroundings: Path) -> Iterator[Page]:
    found = webkit(program, surroundings / "webkit")
    yield Page(found, surroundings)
    found.quit()


@pytest.fixture(params=["browser", "firefox", "webkitgtk"], ids=["chromium", "firefox", "webkit"])
def any_browser(request: pytest.FixtureRequest) -> Page:
    page: Page = request.getfixturevalue(request.param)
    return page


@pytest.fixture(scope="session")
def axe(program: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> str:
    """The source of axe-core: the file that UNDERBOW_AXE names (.ci/run sets it), else fetched with npm."""
    named = os.environ.get("UNDERBOW_AXE")
    if named:
        return Path(named).read_text(encoding="utf-8")
    folder = tmp_path_factory.mktemp("axe")
    packed = subprocess.run(
        [program("npm"), "pack", AXE, "--silent", f"--pack-destination={folder}"],
        capture_output=True,
        text=True,
        check=False,
    )
    found = list(folder.glob("*.tgz"))
    if not found:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(f"npm can't fetch {AXE}: {packed.stderr[-300:]}")
    with tarfile.open(found[0]) as archive:
        member = archive.extractfile("package/axe.min.js")
        assert member is not None
        return member.read().decode("utf-8")


@pytest.fixture(scope="session")
def kept_pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where screenshots go: UNDERBOW_PICTURES, for those who want to look at them."""
    named = os.environ.get("UNDERBOW_PICTURES")
    folder = Path(named) if named else tmp_path_factory.mktemp("pictures")
    folder.mkdir(parents=True, exist_ok=True)
    return folder
