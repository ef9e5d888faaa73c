"""A recording as the melody, and a tune written down from one, by a teacher's hands on the page."""

from __future__ import annotations

import base64
import json
import os
import shutil
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from underbow.track.sheet.read import read_sheet
from underbow.tune.written_out import write_out

from ...lesson.practice.browsers import Chromium
from ..conftest import TRACKS, running
from ..two_sides import ABC, NOTES, RATE, SHEET, played, toned
from .conftest import DROP
from .jobs_by_hand import Hands, with_microphone
from .test_other_browsers import opened

WANTED = "{runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}"
HOSTILE = "<img src=x onerror='window.caught=1'>\"&\u202e.wav"
OTHER = [62, 66, 69, 76, *NOTES[4:]]  # e for d in the first bar


def as_wav(path: Path, notes: list[int]) -> Path:
    soundfile.write(path, played(notes), RATE, subtype="PCM_16")
    return path


def drop(browser: Any, path: Path, name: str = "") -> None:
    browser.run(DROP, base64.b64encode(path.read_bytes()).decode(), name or path.name)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "lessons"
    folder.mkdir()
    (folder / "two.toml").write_text(SHEET, "utf-8")
    (folder / "two.abc").write_text(ABC, "utf-8")
    return folder


@pytest.fixture
def chromium(program: Callable[[str], str], tmp_path: Path) -> Iterator[Chromium]:
    found = with_microphone(program, tmp_path / "profile", as_wav(tmp_path / "mic.wav", NOTES))
    yield found
    found.quit()


def on_the_sheet(browser: Any, address: str) -> Hands:
    browser.go(address)
    hands = Hands(browser, patience=300)
    hands.see(".papers a")
    browser.run("location.hash = '#sheet/two.toml'")
    hands.on_the_stand()
    return hands


def table(folder: Path) -> dict[str, Any]:
    return tomllib.loads((folder / "two.toml").read_text("utf-8"))


def until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + 120
    while not true():
        assert time.monotonic() < end
        time.sleep(0.05)


def whole(chromium: Chromium, axe: str) -> None:
    """axe-core finds nothing."""
    if not chromium.run("return typeof window.axe === 'object'"):
        chromium.driver.execute_cdp_cmd("Runtime.evaluate", {"expression": axe})
    found = chromium.wait(
        f"axe.run({WANTED}).then((r) => done(r.violations.map((v) => [v.id, v.nodes.map((n) => n.html)])))"
    )
    assert found == []


def put_on(hands: Hands, path: Path) -> None:
    drop(hands.browser, path)
    hands.press("#is-tune")
    hands.see("#new-by")
    hands.browser.run("document.getElementById('new-by').focus()")
    hands.type("Ada")
    hands.key("Enter")
    hands.see(".line-hand")
    hands.kept()


def test_a_recording_is_dropped_looked_at_moved_by_key_and_hand_and_taken_away(
    chromium: Chromium, folder: Path, tmp_path: Path, axe: str
) -> None:
    with running(folder) as (_, address):
        hands = on_the_sheet(chromium, address)
        drop(chromium, as_wav(tmp_path / "me.wav", OTHER))
        hands.see("#is-take")
        whole(chromium, axe)
        chromium.keys("Escape")
        put_on(hands, tmp_path / "me.wav")
        assert table(folder)["recording"] == {"file": "me.wav", "by": "Ada"}
        assert chromium.run("return document.querySelectorAll('.heard .strange').length") == 1
        assert "bar 1: E where the tune has D" in chromium.run("return document.querySelector('.doubts').innerText")
        assert "if Ada agrees" in chromium.run("return document.querySelector('.playing').innerText")
        whole(chromium, axe)

        # every stroke lies at its note: as played evenly, no more than a few pixels off
        apart = chromium.run(
            "const bar = document.querySelector('[data-measure=\"1\"]');"
            "const left = (e) => e.getBoundingClientRect().left;"
            "const heads = [...bar.querySelectorAll('.notehead')].map(left);"
            "return [...bar.querySelectorAll('.heard line')].map((e, i) => left(e) - heads[i])"
        )
        assert len(apart) == 4
        assert np.abs(apart).max() < 14

        hands.press(".doubts .word")  # leads to the bar's own line
        assert chromium.run("return document.activeElement.id") == "line-1"
        chromium.run("document.getElementById('line-2').focus()")
        before = float(chromium.run("return document.activeElement.getAttribute('aria-valuenow')"))
        hands.key("ArrowRight", "Shift+ArrowRight", "Enter")
        hands.kept()
        lines = table(folder)["recording"]["bar_lines"]
        assert lines == {"2": pytest.approx(before + 0.06, abs=0.006)}
        hands.see("#line-2.ink")
        hands.see("progress", gone=True)

        box = chromium.run(
            "const b = document.getElementById('line-4').getBoundingClientRect(); return [b.x + b.width / 2, b.bottom - 4]"
        )
        start = float(chromium.run("return document.getElementById('line-4').getAttribute('aria-valuenow')"))
        for kind, x in (("mousePressed", 0), ("mouseMoved", 12), ("mouseMoved", 30), ("mouseReleased", 30)):
            chromium.tell(
                "Input.dispatchMouseEvent", type=kind, x=box[0] + x, y=box[1], button="left", buttons=1, clickCount=1
            )
        hands.see(".sounding")  # heard round and round the line
        hands.kept()
        assert set(table(folder)["recording"]["bar_lines"]) == {"2", "4"}
        assert start + 0.03 < table(folder)["recording"]["bar_lines"]["4"] < start + 1.2
        assert chromium.run("return document.querySelector('#round').innerText") == "go round bars 3 to 4 ×"
        hands.press("#hear")
        chromium.run("document.getElementById('line-2').focus()")
        hands.key("Delete")
        hands.kept()
        assert set(table(folder)["recording"]["bar_lines"]) == {"4"}

        hands.press("#back")
        until(lambda: set(table(folder)["recording"]["bar_lines"]) == {"2", "4"})
        hands.press("#show-playing")
        hands.see(".line-hand", gone=True)
        hands.press("#recording-away")
        hands.see("#show-playing", gone=True)
        hands.kept()
        assert "recording" not in table(folder)
        assert (folder / "me.wav").exists()
        assert chromium.said() == []
        assert chromium.run("return spy.faults") == []


def test_the_tune_is_recorded_over_the_clicks_kept_and_put_on_the_sheet(chromium: Chromium, folder: Path) -> None:
    with running(folder) as (_, address):
        hands = on_the_sheet(chromium, address)
        hands.press("#bring-recording")
        hands.see("#record-tune")
        assert "nothing is sent" in chromium.run("return document.querySelector('.slip').textContent")
        hands.press("#record-tune")
        hands.see("#hear.recording")
        hands.see(".sounding")
        gains = "import('/page/stage.js').then(({state}) => done(state.now.hearing.levels))"
        assert chromium.wait(gains) == {"melody": None, "backup": None, "rhythm": None, "drone": None, "click": 0}
        long = "import('/page/stage.js').then(({state}) => done(state.now.recording.take.seconds))"
        until(lambda: chromium.wait(long) > 19)  # the tune was played once through
        hands.press("#hear")
        hands.see("#new-by")
        (kept,) = folder.glob("*.wav")
        assert kept.name == "two-played.wav"
        hands.press("#put-recording")
        hands.see(".line-hand")
        hands.kept()
        assert table(folder)["recording"] == {"file": "two-played.wav"}
        assert chromium.run("return spy.faults") == []


def test_another_tune_is_refused_on_the_page_and_a_take_is_still_a_take(
    chromium: Chromium, folder: Path, tmp_path: Path
) -> None:
    with running(folder) as (_, address):
        hands = on_the_sheet(chromium, address)
        rng = np.random.default_rng(4)
        other = as_wav(tmp_path / "other.wav", [int(note) for note in rng.choice([60, 63, 65, 68, 70, 72], 40)])
        drop(chromium, other, HOSTILE)
        hands.press("#is-tune")
        hands.see(".slip .wrong")
        assert "this tune" in chromium.run("return document.querySelector('.slip .wrong').textContent")
        assert "recording" not in table(folder)
        chromium.keys("Escape")
        drop(chromium, other, HOSTILE)
        hands.press("#is-take")
        hands.see("a.made.heard")
        assert chromium.run("return [window.caught ?? null, document.querySelector('.slip img')]") == [None, None]
        hands.press("#remember")
        hands.press("#show-history")
        hands.see("#forget-history, .slip .press")
        assert (folder / "underbow-history.sqlite").exists()
        assert not list(folder.glob("*.wav"))


def test_a_tune_is_written_down_from_a_recording_and_its_doubts_are_settled(
    chromium: Chromium, folder: Path, tmp_path: Path, axe: str
) -> None:
    path = as_wav(tmp_path / "The old way home.wav", NOTES)
    with running(folder) as (_, address):
        hands = Hands(chromium, patience=300)
        chromium.go(address)
        hands.see("#begin-recording")
        drop(chromium, path)
        hands.see("#write-it")
        whole(chromium, axe)
        hands.press("#write-it")
        hands.see("#written-title")
        assert chromium.run("return document.getElementById('written-title').value") == "The old way home"
        assert "D" in chromium.run("return document.querySelector('.found').textContent")
        hands.press("#written-plays")
        hands.press("#put-written")
        hands.on_the_stand()
        hands.press("#put-recording")  # it fits what was written down from it
        hands.see(".line-hand")
        hands.kept()
        assert (folder / "The old way home.wav").read_bytes() == path.read_bytes()
        abc = (folder / "the-old-way-home.abc").read_text("utf-8")
        assert "K:D" in abc
        assert "T:The old way home" in abc

        doubtful = abc.replace("K:D", "N:bar 1: a pitch isn't clear\nN:bar 3: the rhythm isn't even\nK:D")
        body = doubtful.partition("\nK:")[2].partition("\n")
        music = body[2].split("|")
        bars = [at for at, bar in enumerate(music) if any(sign in "ABCDEFGabcdefg" for sign in bar)]
        for at in (bars[0], bars[2]):
            lead = len(music[at]) - len(music[at].lstrip(": \n"))
            music[at] = music[at][:lead] + '"^?"' + music[at][lead:]
        (folder / "the-old-way-home.abc").write_text(
            doubtful.partition("\nK:")[0] + "\nK:" + body[0] + "\n" + "|".join(music), "utf-8"
        )
        hands.see("[data-settle='3']")  # the desk has seen that the file was changed
        assert chromium.run("return document.querySelectorAll('.music .doubt').length") == 2
        whole(chromium, axe)
        hands.press("[data-settle='1']")
        hands.see("[data-settle='1']", gone=True)
        hands.kept()
        left = (folder / "the-old-way-home.abc").read_text("utf-8")
        assert left.count('"^?"') == 1
        assert "N:bar 1" not in left
        assert left.replace('"^?"', "").replace("N:bar 3: the rhythm isn't even\n", "") == abc


@pytest.mark.parametrize("name", ["firefox", "webkit"])
def test_in_the_other_browsers_too(name: str, program: Callable[[str], str], folder: Path, tmp_path: Path) -> None:
    with ExitStack() as stack:
        browser = opened(name, program, tmp_path, stack)
        _, address = stack.enter_context(running(folder))
        browser.size(1280, 900)
        hands = on_the_sheet(browser, address)
        put_on(hands, as_wav(tmp_path / "me.wav", OTHER))
        assert browser.run("return document.querySelectorAll('.heard line').length") >= 16
        browser.run("document.getElementById('line-2').focus()")
        hands.key("ArrowRight", "Enter")
        hands.kept()
        assert list(table(folder)["recording"]["bar_lines"]) == ["2"]
        hands.press("#hear")
        hands.see(".sounding")
        assert json.loads(json.dumps(browser.run("return document.querySelector('.wrong')?.textContent ?? ''"))) == ""


@pytest.mark.skipif("UNDERBOW_PICTURES" not in os.environ, reason="makes a picture of docs/")
def test_picture(chromium: Chromium, folder: Path, tmp_path: Path) -> None:
    """The Four Gateposts as somebody plays it who takes his time here and there, with an e for a d in bar 11."""
    for name in ("gateposts.abc", "gateposts.toml"):
        shutil.copy(TRACKS / name, folder)
    melody = write_out(read_sheet(folder / "gateposts.toml").tune)

    def when(quarter: Fraction) -> float:
        return 1.2 + 0.42 * float(quarter) + 0.12 * np.sin(float(quarter) / 5)

    first = next(bar.start for bar in melody.bars if bar.number == 11)
    notes = [
        (when(note.start), when(note.start + note.length), note.pitch.midi + 2 * (note.start == first))
        for note in melody.notes
    ]
    soundfile.write(tmp_path / "me.wav", toned(notes, 442.5), RATE, subtype="PCM_16")
    with running(folder) as (_, address):
        hands = on_the_sheet(chromium, address)
        chromium.run("location.hash = '#sheet/gateposts.toml'")
        hands.on_the_stand()
        put_on(hands, tmp_path / "me.wav")
        chromium.run("scrollTo(0, document.querySelector('#part-tune').getBoundingClientRect().top + scrollY - 30)")
        box = chromium.run(
            "const b = document.getElementById('line-7').getBoundingClientRect(); return [b.x + 12, b.bottom - 4]"
        )
        for kind, x in (("mousePressed", 0), ("mouseMoved", 10), ("mouseMoved", 17)):
            chromium.tell("Input.dispatchMouseEvent", type=kind, x=box[0] + x, y=box[1], button="left", buttons=1)
        chromium.picture(Path(os.environ["UNDERBOW_PICTURES"]) / "desk-playing.png")
