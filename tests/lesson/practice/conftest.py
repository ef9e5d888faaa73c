"""A short track, its page, and a browser without a network to open it in."""

from __future__ import annotations

import base64
import os
import subprocess
import tarfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

from underbow.lesson.practice.page import make_page, page_audio
from underbow.track.performance import Performance
from underbow.track.sequencer import perform
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import build_sheet

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
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
    "--hide-scrollbars",
)
AXE = "axe-core@4.14.1"

# Written into the page before its own script: notes what is sent to the loudspeaker, and when.
SPY = """
window.spy = {starts: [], contexts: [], faults: []};
addEventListener("error", (event) => spy.faults.push(event.message));
addEventListener("unhandledrejection", (event) => spy.faults.push(String(event.reason)));
addEventListener("securitypolicyviolation", (event) => spy.faults.push(event.violatedDirective));
const plain = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (when, offset) {
  spy.starts.push({when, offset, buffer: this.buffer, loop: this.loop, node: this});
  if (!spy.contexts.includes(this.context)) spy.contexts.push(this.context);
  return plain.call(this, when, offset);
};
spy.clock = () => {  // the context's time of the sound that leaves the loudspeaker now
  const context = spy.contexts.at(-1);
  const stamp = context.getOutputTimestamp();
  return stamp.contextTime + (performance.now() - stamp.performanceTime) / 1000;
};
"""


@dataclass(frozen=True)
class Track:
    """A sheet, what it plays, its sound and its page."""

    sheet: Sheet
    performance: Performance
    audio: dict[str, bytes]
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
    audio = {mix.name: sound for mix, sound in zip(mixes, track.audio.values(), strict=True)}
    sheet = replace(short_sheet(pattern="strathspey", strings="middle"), title=title)  # longer than a sheet may say
    performance = perform(sheet)
    path = tmp_path_factory.mktemp("page") / "hostile.html"
    path.write_bytes(make_page(sheet, performance, mixes, audio))
    return Track(sheet, performance, audio, path)


class Page:
    """A page in a browser."""

    def __init__(self, driver: webdriver.Chrome) -> None:
        self.driver = driver

    def open(self, path: Path, width: int = 1440, height: int = 900) -> None:
        self.driver.get_log("browser")
        self.size(width, height)
        self.look()
        self.driver.get(path.as_uri())

    def size(self, width: int, height: int) -> None:
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)

    def look(self, *, dark: bool = False, still: bool = False) -> None:
        features = [
            {"name": "prefers-color-scheme", "value": "dark" if dark else "light"},
            {"name": "prefers-reduced-motion", "value": "reduce" if still else "no-preference"},
        ]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})

    def run(self, script: str, *values: Any) -> Any:
        return self.driver.execute_script(script, *values)

    def wait(self, script: str, *values: Any) -> Any:
        """Run a script that calls ``done`` later."""
        return self.driver.execute_async_script(f"const done = arguments[arguments.length - 1];{script}", *values)

    def press(self, selector: str) -> None:
        self.run("document.querySelector(arguments[0]).click()", selector)

    def text(self, selector: str) -> str:
        return str(self.run("return document.querySelector(arguments[0]).textContent", selector))

    def go(self, seconds: float) -> None:
        self.run(
            "const place = document.getElementById('place'); place.value = arguments[0];"
            "place.dispatchEvent(new Event('input', {bubbles: true}))",
            seconds,
        )

    def play(self) -> None:
        """Press play and wait for the sound."""
        self.wait(
            "document.getElementById('play').click(); const before = spy.starts.length;"
            "const look = () => spy.starts.length > before && spy.clock() > spy.starts.at(-1).when + 0.05"
            " ? done() : setTimeout(look, 10); look();"
        )

    def samples(self, index: int) -> np.ndarray:
        """What is in the buffer of a start, as decoded by the browser."""
        text = self.run(
            "const all = new Uint8Array(spy.starts.at(arguments[0]).buffer.getChannelData(0).slice().buffer);"
            "let text = ''; for (let i = 0; i < all.length; i += 32768)"
            " text += String.fromCharCode(...all.subarray(i, i + 32768)); return btoa(text)",
            index,
        )
        return np.frombuffer(base64.b64decode(text), np.float32)

    def complaints(self) -> list[Any]:
        """Everything the console and the spy have to say."""
        said = self.driver.get_log("browser")
        return [*said, *self.run("return spy.faults")]


@pytest.fixture(scope="session")
def browser(program: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    options = Options()
    options.binary_location = program("chromium")
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('chromium')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(program("chromedriver")))
    driver.set_script_timeout(60)
    driver.execute_cdp_cmd("Network.enable", {})
    offline = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    driver.execute_cdp_cmd("Network.emulateNetworkConditions", offline)
    driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": SPY})
    yield Page(driver)
    driver.quit()


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
