"""The page on a web server of the plainest kind, its sound in files beside it: Python's own http.server, three browsers."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

import numpy as np

from underbow.lesson.practice.audio import RATE
from underbow.lesson.practice.page import make_page, sound_files
from underbow.lesson.practice.words import ENGLISH

from .browsers import Chromium
from .conftest import Page, Track
from .test_page_audio import strip_of


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """Serve a folder from this machine; give its address."""
    command = [sys.executable, "-u", "-m", "http.server", "0", "--bind", "127.0.0.1", "--directory", str(folder)]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        assert server.stdout is not None
        port = re.search(r"port (\d+)", server.stdout.readline())
        assert port is not None
        yield f"http://127.0.0.1:{port[1]}"
    finally:
        server.terminate()
        server.communicate()


@contextmanager
def online(page: Page) -> Iterator[None]:
    """Let Chromium, which tests keep off every network, reach this machine."""
    if not isinstance(page.browser, Chromium):
        yield
        return
    off = {"latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    page.browser.tell("Network.emulateNetworkConditions", offline=False, **dict.fromkeys(off, -1) | {"latency": 0})
    try:
        yield
    finally:
        page.browser.tell("Network.emulateNetworkConditions", offline=True, **off)


def test_the_sound_beside_the_page_plays_from_a_web_server(any_browser: Page, track: Track, tmp_path: Path) -> None:
    page = any_browser
    path = tmp_path / "short ladder.html"
    path.write_bytes(make_page(track.sheet, track.performance, track.sheet.mixes, track.audio, beside="sound"))
    copy = page.spied(path)
    (tmp_path / "sound").mkdir()
    for name, sound in sound_files(track.audio):
        (tmp_path / "sound" / name).write_bytes(sound)
    (tmp_path / copy.name).write_bytes(copy.read_bytes())
    with served(tmp_path) as address, online(page):
        page.visit(f"{address}/{quote(copy.name)}")
        page.play()
        page.until_sent(1.5 * RATE)
        page.press("#play")
        sent = page.stream(0)[:RATE]
        place = track.audio.places[0]
        carried = strip_of(track.audio.parts["melody"])[place : place + len(sent)]
        assert np.corrcoef(carried, sent)[0, 1] > 0.98
        loaded = page.run("return performance.getEntriesByType('resource').map((r) => r.name)")
        assert loaded
        assert all(name.startswith(f"{address}/sound/") for name in loaded)
        assert page.complaints() == []
        lost = tmp_path / "lost.html"
        lost.write_text(
            (tmp_path / copy.name).read_text("utf-8").replace('"files":"sound"', '"files":"elsewhere"'), "utf-8"
        )
        page.visit(f"{address}/{lost.name}")
        page.browser.click("#play")
        page.until("document.getElementById('told').textContent === given[0]", ENGLISH["failed"])
