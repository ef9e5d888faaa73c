"""Takes at the desk: recorded in the browser or handed in, kept beside the sheet, judged at once, and nothing sent elsewhere."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pytest
import soundfile

from underbow.sound.mix import Mixer
from underbow.sound.stems import Stems
from underbow.sound.synth.builtin import BuiltinVoice
from underbow.sound.voice.voices import Remembered
from underbow.track.mixes import Mix
from underbow.track.sequencer import perform
from underbow.track.sheet.read import read_sheet

from ..lesson.practice.browsers import LOOP, Chromium
from .conftest import Opened, opened, running
from .page.jobs_by_hand import SPY, Hands, with_microphone

RATE = 22_050
SHEET = """title = "Four and back"
progression = "C | G | D | A | C | G"
pattern = "nashville-shuffle"
compose = { seed = 1 }
[tempo]
beat = "1/4"
start = 112
goal = 112
ramp = "steady"
passes = 1
count_in = 1
"""


def played(path: Path, late: float = 0.0) -> np.ndarray:
    """The backup alone, as a learner plays it who is so many seconds late; the track begins after 0.4 s."""
    sheet = read_sheet(path)
    performance = perform(sheet)
    stems = Stems(performance, Remembered(BuiltinVoice(RATE, strings=sheet.tuning.midi)), ["backup"])
    mixer = Mixer(performance, Mix("x", (("backup", (0.0,)),)), stems.names, RATE)
    sound = np.concatenate(list(mixer.mixed(stems.blocks()))).mean(axis=1)
    noise = np.random.default_rng(1).normal(0, 1e-4, len(sound) + round((0.4 + late) * RATE))
    noise[-len(sound) :] += 0.3 * sound / np.abs(sound).max()
    return noise


def as_wav(sound: np.ndarray) -> bytes:
    file = io.BytesIO()
    soundfile.write(file, sound, RATE, format="WAV", subtype="PCM_16")
    return file.getvalue()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "lessons"
    (folder / "rounds").mkdir(parents=True)
    (folder / "rounds" / "four.toml").write_text(SHEET, "utf-8")
    return folder


def hand_in(desk: Opened, data: bytes, file: str = "take.wav", **said: Any) -> Any:
    return desk.client.post(
        f"/sheet/rounds/four.toml/takes?said={quote(json.dumps(said))}",
        content=data,
        headers={"Origin": "http://127.0.0.1:8765", "X-File-Name": quote(file)},
    )


def test_a_recorded_take_is_kept_and_judged_and_its_page_shown(folder: Path) -> None:
    desk = opened(folder)
    data = as_wav(played(folder / "rounds" / "four.toml"))
    found = hand_in(desk, data, recorded=True, levels={"melody": 0, "click": -9}).json()
    assert found["verdict"] == "judged"
    assert found["take"] == "rounds/four-take-1.wav"
    assert (folder / found["take"]).read_bytes() == data
    assert abs(found["passes"][0]["median_ms"]) < 5
    page = desk.get(f"/heard/{found['page']}")
    assert page.status_code == 200
    assert "What I heard: Four and back" in page.text
    assert "sandbox" in page.headers["content-security-policy"]
    assert hand_in(desk, data, recorded=True).json()["take"] == "rounds/four-take-2.wav"
    assert [paper["name"] for paper in desk.get("/shelf").json()["sheets"]] == ["rounds/four.toml"]


def test_whoever_is_late_throughout_is_told_so_where_the_delay_was_measured(folder: Path) -> None:
    """On headphones the ear alone can't tell a late player from a late recording; the measured delay does."""
    desk = opened(folder)
    sheet = read_sheet(folder / "rounds" / "four.toml")
    performance = perform(sheet)
    data = as_wav(played(folder / "rounds" / "four.toml", late=0.06))
    line = 0.4 + performance.tempo.seconds(performance.passes[0].start)
    levels = {"melody": 0, "click": -9}  # no guide: the learner is alone in what sounds like him
    blind = hand_in(desk, data, levels=levels).json()
    told = hand_in(desk, data, levels=levels, bar=1, time=1, at=line, **{"pass": 1}).json()
    assert abs(blind["passes"][0]["median_ms"]) < 20
    assert told["passes"][0]["median_ms"] == pytest.approx(60, abs=8)
    wrong = hand_in(
        desk, data, levels=levels, bar=1, time=1, at=line + 3.0, **{"pass": 1}
    ).json()  # contradicted by the take itself
    assert wrong["passes"][0]["median_ms"] == pytest.approx(blind["passes"][0]["median_ms"], abs=1)


def test_a_take_that_was_handed_in_is_not_copied(folder: Path) -> None:
    desk = opened(folder)
    found = hand_in(desk, as_wav(played(folder / "rounds" / "four.toml")), "../Anna, Tuesday.wav").json()
    assert found["take"] is None
    assert found["page"] == "rounds/four-Anna, Tuesday.html"
    assert sorted(path.name for path in (folder / "rounds").iterdir()) == ["four-Anna, Tuesday.html", "four.toml"]
    assert sorted(path.name for path in folder.iterdir()) == ["rounds"]


@pytest.mark.parametrize(
    ("data", "file", "says"),
    [
        (b"", "take.wav", "take.wav"),
        (b"RIFF no sound", "take.wav", "take.wav"),
        (b"x" * 1000, "take.m4a", "take.m4a"),
        (b"x", "sheet.pdf", "sheet.pdf: not a recording; choose a wav, flac, ogg, mp3, m4a or webm file"),
        (b"x", "", ": not a recording; choose a wav, flac, ogg, mp3, m4a or webm file"),
    ],
)
def test_what_is_no_recording_is_told_in_one_line(folder: Path, data: bytes, file: str, says: str) -> None:
    desk = opened(folder)
    answer = hand_in(desk, data, file)
    assert answer.status_code == 400
    (problem,) = answer.json()["problems"]
    assert problem["what"].startswith(says)
    assert "\n" not in problem["what"]
    assert "/tmp" not in problem["what"]
    assert [path.name for path in (folder / "rounds").iterdir()] == ["four.toml"]


def test_silence_is_told_and_a_broken_take_that_was_recorded_is_kept(folder: Path) -> None:
    desk = opened(folder)
    found = hand_in(desk, as_wav(np.zeros(10 * RATE)), recorded=True).json()
    assert (found["verdict"], found["passes"]) == ("silent", [])
    assert "microphone" in found["why"]
    assert hand_in(desk, b"broken", recorded=True).status_code == 400
    assert (folder / "rounds" / "four-take-2.wav").read_bytes() == b"broken"


def test_only_pages_on_takes_are_shown(folder: Path) -> None:
    (folder / "mine.html").write_text("<script>alert(1)</script>", "utf-8")
    desk = opened(folder)
    for path in ("mine.html", "rounds/four.toml", "../lessons/mine.html", "%2e%2e/x.html"):
        assert desk.get(f"/heard/{path}").status_code == 404


def test_a_take_that_is_too_large_is_refused_before_anything_is_kept(folder: Path) -> None:
    desk = opened(folder, most_body=100_000)
    answer = hand_in(desk, as_wav(np.zeros(5 * RATE)), recorded=True)
    assert answer.status_code == 413
    assert [path.name for path in (folder / "rounds").iterdir()] == ["four.toml"]


# --- in the browser ---


@pytest.fixture
def take(folder: Path, tmp_path: Path) -> Path:
    """What Chromium's microphone hears: a learner who begins as soon as it is opened."""
    path = tmp_path / "mic.wav"
    soundfile.write(path, np.float32(played(folder / "rounds" / "four.toml")), RATE, subtype="PCM_16")
    return path


@pytest.fixture
def chromium(program: Callable[[str], str], tmp_path: Path, take: Path) -> Iterator[Chromium]:
    found = with_microphone(program, tmp_path / "profile", take)
    yield found
    found.quit()


def at_the_sheet(chromium: Chromium, address: str) -> Hands:
    chromium.go(address)
    hands = Hands(chromium, patience=120)
    hands.press(".papers:not(.blanks) a")
    hands.on_the_stand()
    return hands


def test_oneself_is_recorded_while_it_plays_and_heard_at_once(chromium: Chromium, folder: Path) -> None:
    with running(folder) as (_, address):
        hands = at_the_sheet(chromium, address)
        hands.press("#record")
        hands.see("#begin-take")
        assert "nothing is sent" in chromium.run("return document.querySelector('.slip').textContent")
        hands.press("#begin-take")
        hands.see("#hear.recording")
        hands.see(".sounding")
        hands.see("a.made.heard")  # the track ended by itself
        assert chromium.run("return document.querySelectorAll('.tempos li').length") == 1
        (kept,) = (folder / "rounds").glob("*.wav")
        sound, rate = soundfile.read(kept)
        assert rate == 44_100
        assert len(sound) / rate > 12
        assert np.abs(sound).max() > 0.05
        assert (folder / "rounds" / "four-take-1.html").exists()
        assert chromium.run("return document.querySelector('#hear.recording')") is None
        assert chromium.said() == []
        assert chromium.run("return spy.faults") == []


def test_the_delay_is_measured_to_a_few_milliseconds(
    program: Callable[[str], str], folder: Path, tmp_path: Path
) -> None:
    """What is played comes back to the microphone 0 and 137 ms later: the two tests differ by that."""
    chromium = Chromium(program, tmp_path / "profile", online=True, first=SPY + LOOP)
    try:
        chromium.size(1280, 900)
        with running(folder) as (_, address):
            hands = at_the_sheet(chromium, address)
            chromium.run("import('/page/stage.js').then(({state}) => state.now.hearing.ready())")
            measured = []
            for late in (0.0, 0.137):
                chromium.run("loop.late = arguments[0]; document.cookie = 'underbow-delay=0; max-age=0; path=/'", late)
                hands.press("#record")
                hands.press("#test-delay")
                hands.see("#test-delay", gone=True)
                hands.see("#test-delay")
                found = re.search(r"underbow-delay=(-?\d+)", chromium.run("return document.cookie"))
                assert found, chromium.run("return document.querySelector('.slip').textContent")
                measured.append(int(found[1]))
                chromium.keys("Escape")
            assert measured[1] - measured[0] == pytest.approx(137, abs=6)
            assert 0 <= measured[0] < 120
    finally:
        chromium.quit()


def test_clicks_that_are_not_clear_give_no_delay(chromium: Chromium, folder: Path) -> None:
    """The take that Chromium's microphone plays knows nothing of our clicks."""
    with running(folder) as (_, address):
        hands = at_the_sheet(chromium, address)
        hands.press("#record")
        hands.press("#test-delay")
        hands.see("#test-delay", gone=True)
        hands.see("#test-delay")
        assert "underbow-delay" not in chromium.run("return document.cookie")
        assert "were not clear" in chromium.run("return document.querySelector('.slip .wrong').textContent")


def test_without_a_microphone_it_says_so(program: Callable[[str], str], folder: Path, tmp_path: Path) -> None:
    refuse = "navigator.mediaDevices.getUserMedia = async () => { throw new DOMException('', 'NotAllowedError'); };"
    chromium = Chromium(program, tmp_path / "profile", online=True, first=SPY + refuse)
    try:
        chromium.size(1280, 900)
        with running(folder) as (_, address):
            hands = at_the_sheet(chromium, address)
            hands.press("#record")
            hands.press("#begin-take")
            hands.see(".slip .wrong:not(:empty)")
            assert "may not be used" in chromium.run("return document.querySelector('.slip .wrong').textContent")
            assert list((folder / "rounds").glob("*.wav")) == []
    finally:
        chromium.quit()
