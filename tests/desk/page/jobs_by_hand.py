"""Eight jobs as a teacher would do them, each from an empty folder to the zip, with every press counted.

A press is a click, a key (one typed character is one), or a paste. The tunes are our own.
"""

from __future__ import annotations

import json
import time
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ...lesson.practice.browsers import Chromium

REEL = """X:1
T:Moss on the Lintel
R:reel
M:C|
L:1/8
K:G
DF|G2BG dGBG|A2cA eAcA|G2BG dGBG|1 AFDF G2 DF:|2 AFDF G2 ga||
|:bgdg bgdg|afdf afdf|1 gedB A2GA|B2G2 G2 ga:|2 gedB AGFA|G2G2 G2|]
"""
JIG = """X:1
T:The Lid Off the Churn
R:jig
M:6/8
L:1/8
K:D
|:dAF dAF|GBd gdB|dAF dAF|EFG ABc|dAF dAF|GBd gdB|cde ABc|d3 d3:|
|:fdA fdA|gec gec|fdA fdA|ece A3|fdA fdA|gec gec|dcB ABc|d3 d3:|
"""
WALTZ = """X:1
T:Lamp in the Byre
R:waltz
M:3/4
L:1/4
K:D
|:F A d|f2 e|d2 B|A3|G B d|B2 A|F2 D|E3|F A d|f2 e|d2 B|A3|G B d|c B A|d2 A|d3:|
"""
CROSS = """X:1
T:Gravel Under Frost
R:reel
M:4/4
L:1/8
K:A
|:"A"A2cA ecAc|"D"d2fd "A"e4|"A"A2cA ecAc|"E"B2GB "A"A4:|
|:"A"aefa ecAc|"D"dfaf "E"e4|"A"aefa ecAc|"E"BGEG "A"A4:|
"""

# Written into the page before its own scripts: what is sent to the loudspeaker and when, and whatever goes wrong.
SPY = """
window.spy = {starts: [], stops: [], faults: [], gains: []};
addEventListener("error", (event) => spy.faults.push(String(event.message)));
addEventListener("unhandledrejection", (event) => spy.faults.push(String(event.reason?.message ?? event.reason)));
addEventListener("securitypolicyviolation", (event) => spy.faults.push(event.violatedDirective + " " + event.blockedURI));
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (when) {
  const {length, numberOfChannels} = this.buffer;
  spy.starts.push({when, now: this.context.currentTime, at: performance.now(), frames: length, channels: numberOfChannels});
  return start.call(this, when);
};
"""


def with_microphone(program: Callable[[str], str], profile: Path, wav: Path) -> Chromium:
    """Open Chromium with a microphone that hears a file, once."""
    flags = (
        "--use-fake-ui-for-media-stream",
        "--use-fake-device-for-media-stream",
        f"--use-file-for-fake-audio-capture={wav}%noloop",
    )
    found = Chromium(program, profile, online=True, first=SPY, flags=flags)
    found.size(1280, 900)
    return found


class Hands:
    """A teacher's hands on a browser: they wait for what they reach for, and count what they press."""

    def __init__(self, browser: Any, patience: float = 60) -> None:
        self.browser, self.patience = browser, patience
        self.presses = 0
        self.asked = self.made = 0.0  # when the lesson was asked for, and when it was there

    def see(self, selector: str, *, gone: bool = False) -> None:
        """Wait until something is there (or is not)."""
        end = time.monotonic() + self.patience
        find = (
            "const e = [...document.querySelectorAll(arguments[0])].find((e) => e.getClientRects().length && !e.disabled);"
            "return Boolean(e)"
        )
        while self.browser.run(find, selector) == gone:
            said = self.browser.run("return document.body.innerText.slice(0, 600)")
            assert time.monotonic() < end, f"{selector} is {'still' if gone else 'not'} there: {said}"
            time.sleep(0.03)

    def press(self, selector: str) -> None:
        self.see(selector)
        self.browser.run("document.querySelector(arguments[0]).scrollIntoView({block: 'center'})", selector)
        self.browser.click(selector)
        self.presses += 1

    def key(self, *keys: str) -> None:
        for key in keys:
            self.browser.keys(key)
            self.presses += 1

    def type(self, text: str) -> None:
        for sign in text:
            self.browser.keys("Space" if sign == " " else sign)
            self.presses += 1

    def paste(self, text: str) -> None:
        self.browser.run("document.execCommand('insertText', false, arguments[0])", text)
        self.presses += 1

    def clear(self) -> None:
        self.browser.run("document.activeElement.select()")
        self.presses += 1

    def choose(self, selector: str, value: str) -> None:
        """Open a list and take a line of it."""
        self.see(selector)
        self.browser.run(
            "const s = document.querySelector(arguments[0]); s.value = arguments[1];"
            "s.dispatchEvent(new Event('change', {bubbles: true}))",
            selector,
            value,
        )
        self.presses += 2

    def tab_to(self, selector: str, most: int = 60) -> None:
        """Go by the tab key alone."""
        self.see(selector)
        for _ in range(most):
            if self.browser.run("return document.activeElement?.matches(arguments[0]) ?? false", selector):
                return
            self.key("Tab")
        raise AssertionError(f"the tab key doesn't reach {selector}")

    def lesson(self) -> None:
        """Wait for the lesson."""
        self.asked = time.monotonic()
        self.see("a.made.zip")
        self.made = time.monotonic()

    def kept(self) -> None:
        """Wait until what was changed is in the folder."""
        end = time.monotonic() + self.patience
        while self.browser.run("return document.querySelector('#kept')?.dataset.kept") != "yes":
            assert time.monotonic() < end
            time.sleep(0.03)

    def on_the_stand(self) -> None:
        self.see("#part-learner")
        self.see(".music svg")


def make(hands: Hands) -> None:
    hands.kept()
    hands.press("#make")
    hands.press("#begin-lesson")
    hands.lesson()


def make_by_keys(hands: Hands) -> None:
    hands.kept()
    hands.tab_to("#make")
    hands.key("Enter")
    hands.see("#begin-lesson")
    hands.key("Enter")  # it has the focus
    hands.lesson()


def paste_tune(hands: Hands, tune: str) -> None:
    hands.press("#begin-tune")
    hands.see("#new-tune")
    hands.paste(tune)
    hands.press("#to-the-stand")
    hands.on_the_stand()


def round_of_chords(hands: Hands) -> None:
    hands.press("#begin-chords")
    hands.see("#new-chords")
    hands.type("G C D G")
    hands.key("Enter")
    hands.on_the_stand()
    make(hands)


def reel(hands: Hands) -> None:
    paste_tune(hands, REEL)
    make(hands)


def jig(hands: Hands) -> None:
    paste_tune(hands, JIG)
    hands.press('[data-at="split-B"]')
    hands.press(".choice:nth-of-type(3) .take")
    hands.see('[data-at="bowing-B"]')
    make(hands)


def waltz(hands: Hands) -> None:
    paste_tune(hands, WALTZ)
    hands.press('.bar[data-bar="7"]')
    hands.see("#chord-field")
    hands.type("Bm")
    hands.key("Enter")
    hands.see('.bar.ink[data-bar="7"]')
    make(hands)


def cross_tuning(hands: Hands) -> None:
    paste_tune(hands, CROSS)
    hands.choose("#tuning", "AEAE")
    make(hands)


def take_bars(hands: Hands) -> None:
    paste_tune(hands, JIG)
    hands.press("#bars")
    hands.type("5-8")
    hands.key("Enter")
    make(hands)


def own_chop(hands: Hands) -> None:
    paste_tune(hands, REEL)
    hands.press('[data-at="hand-"]')
    for cell in (3, 7):
        hands.press(f".cell-hand:nth-of-type({cell})")
        hands.see('[data-act="do_chop"]')
        before = hands.browser.run("return document.querySelector('.board').dataset.drawn ?? ''")
        hands.key("x")
        hands.see(f'.board[data-drawn]:not([data-drawn="{before}"])')
    hands.see(".quiet .open")
    hands.kept()
    make(hands)


def class_of_three(hands: Hands) -> None:
    for number, tune in enumerate((REEL, JIG, WALTZ)):
        if number:
            hands.press("#to-shelf")
        paste_tune(hands, tune)
    hands.press("#to-shelf")
    hands.see(".corner")
    for place in (1, 2, 3):
        hands.press(f".papers:not(.blanks) li:nth-child({place}) .corner")
    hands.press("#make")
    hands.press("#begin-lesson")
    hands.lesson()


def round_begun_by_keys(hands: Hands) -> None:
    hands.tab_to("#begin-chords")
    hands.key("Enter")
    hands.see("#new-chords")
    hands.type("G C D G")
    hands.key("Enter")
    hands.on_the_stand()


def round_by_keys(hands: Hands) -> None:
    round_begun_by_keys(hands)
    make_by_keys(hands)


def only_bars_by_keys(hands: Hands) -> None:
    hands.tab_to("#begin-tune")
    hands.key("Enter")
    hands.see("#new-tune")
    hands.paste(JIG)
    hands.tab_to("#to-the-stand")
    hands.key("Enter")
    hands.on_the_stand()
    hands.tab_to("#bars")
    hands.type("5-8")
    hands.key("Enter")
    make_by_keys(hands)


@dataclass(frozen=True)
class Job:
    """A job by its name, what is done, and what its zip holds: sheets, and what stands in their files."""

    name: str
    do: Callable[[Hands], None]
    sheets: int = 1
    written: tuple[str, ...] = field(default=())


JOBS = (
    Job("four-chord round", round_of_chords, written=('progression = "G | C | D | G"', "compose")),
    Job("reel with pickup and endings", reel, written=("moss-on-the-lintel.abc",)),
    Job("jig, another bowing in B", jig, written=("B = ",)),
    Job("waltz without chords", waltz, written=("[changes]", '7 = "Bm"')),
    Job("AEAE tune", cross_tuning, written=('tuning = "AEAE"',)),
    Job("only bars 5 to 8", take_bars, written=('bars = "5-8"',)),
    Job("a chop of one's own", own_chop, written=("my-way.toml",)),
    Job("class of three", class_of_three, sheets=3),
    Job("four-chord round, keyboard alone", round_by_keys, written=('progression = "G | C | D | G"',)),
    Job("only bars 5 to 8, keyboard alone", only_bars_by_keys, written=('bars = "5-8"',)),
)


def look_into(folder: Path, job: Job) -> dict[str, int]:
    """Check what came of a job; give the kinds of files in its zip and how many there are of each.

    A lesson too large to be sent has a zip for each sheet.
    """
    texts = [path.read_text("utf-8") for path in folder.glob("*.toml")]
    for words in job.written:
        assert any(words in text for text in texts), (words, texts)
    packed = sorted((folder / "lessons").rglob("*.zip"))
    assert len(packed) in {1, job.sheets}
    (listed,) = (folder / "lessons").glob("*/manifest.json")
    assert len(json.loads(listed.read_bytes())["parts"]) == job.sheets
    kinds: dict[str, int] = {}
    for path in packed:
        with zipfile.ZipFile(path) as archive:
            assert archive.testzip() is None
            for name in archive.namelist():
                kinds[Path(name).suffix] = kinds.get(Path(name).suffix, 0) + 1
    assert kinds[".pdf"] == job.sheets
    assert kinds[".html"] >= job.sheets
    assert kinds[".mp3"] >= job.sheets
    return kinds | {".zip": len(packed)} if len(packed) > 1 else kinds
