"""The video opened as a file in Chromium, Firefox and WebKit: it has pictures and sound, and its time goes on."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from ..practice.browsers import Chromium, Firefox, webkit
from ..practice.surroundings import display, sound_server
from .films import a_sheet, film

NOT_SUPPORTED = 4  # HTML Living Standard, MediaError: MEDIA_ERR_SRC_NOT_SUPPORTED
STATE = """
const film = document.querySelector("video");
return film && {time: film.currentTime, length: film.duration, wide: film.videoWidth, ready: film.readyState,
  fault: film.error && film.error.code};
"""


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return film(a_sheet(), tmp_path_factory.mktemp("plays"))


def opened(name: str, program: Callable[[str], str], place: Path, stack: ExitStack) -> Any:
    stack.enter_context(sound_server(program, place / "sound"))
    stack.enter_context(display(program))
    if name == "chromium":
        browser: Any = Chromium(program, place / name)
    else:
        browser = Firefox(program, place / name) if name == "firefox" else webkit(program, place / name)
    stack.callback(browser.quit)
    return browser


@pytest.mark.parametrize("name", ["chromium", "firefox", "webkit"])
def test_it_plays_as_a_file(name: str, short: Path, program: Callable[[str], str], tmp_path: Path) -> None:
    with ExitStack() as stack:
        browser = opened(name, program, tmp_path, stack)
        browser.size(1080, 1000)
        page = short.with_suffix(".html")
        press = "onclick=\"document.querySelector('video').play()\""  # WebKit plays sound only when somebody presses
        page.write_text(
            f'<!doctype html><title>film</title><button {press}>Play</button><video controls src="{short.name}"></video>'
        )
        browser.go(page.as_uri())
        end, state = time.monotonic() + 90, None
        while not (state and (state["ready"] >= 2 or state["fault"])) and time.monotonic() < end:
            state = browser.run(STATE)
            time.sleep(0.2)
        if name == "webkit" and state and state["fault"] == NOT_SUPPORTED and "CI" not in os.environ:
            pytest.skip("this WebKit has no H.264 and AAC: GStreamer's libav plugin brings them")
        assert state
        assert state["fault"] is None
        assert state["wide"] == 1080
        assert state["length"] == pytest.approx(len_of(short), abs=0.1)
        begun = state["time"]
        browser.click("button")
        while (state := browser.run(STATE))["time"] < begun + 1 and time.monotonic() < end:
            time.sleep(0.2)
        assert state["time"] >= begun + 1
        browser.picture(tmp_path / "seen.png")


def len_of(path: Path) -> float:
    import av  # noqa: PLC0415

    with av.open(str(path)) as container:
        assert container.duration is not None
        return float(container.duration) / 1e6
