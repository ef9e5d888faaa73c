"""A folder with sheets of our own, and a desk on it: the application itself, or a program of its own."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from starlette.testclient import TestClient

from underbow.desk.app import make_app
from underbow.desk.desk import Desk
from underbow.desk.folder import Folder
from underbow.desk.guard import Guard
from underbow.desk.hear.voices import Voices
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import read_sheet

from .two_sides import ABC, NAME, NOTES, SHEET, played, wav

TRACKS = Path(__file__).parents[2] / "tracks"
PORT = 8765
HOME = f"http://127.0.0.1:{PORT}"
LEVELS = {"melody": 0.0, "backup": -3.0, "rhythm": -6.0, "click": -9.0}


def sheet(name: str = "wet-socks", **changes: Any) -> Sheet:
    """Read a shipped sheet, to be played with an unfailing hand."""
    return replace(read_sheet(TRACKS / f"{name}.toml"), feel_ms=0.0, feel_db=0.0, **changes)


@pytest.fixture
def lessons(tmp_path: Path) -> Path:
    """A folder with the shipped sheets and tunes."""
    folder = tmp_path / "reels & jigs"
    folder.mkdir()
    for path in TRACKS.iterdir():
        if path.suffix in (".toml", ".abc"):
            shutil.copy(path, folder)
    return folder


@dataclass
class Opened:
    """A desk without a server: requests go straight to its application, behind its guard."""

    desk: Desk
    guard: Guard
    client: TestClient

    def get(self, where: str, **options: Any) -> Any:
        return self.client.get(where, **options)

    def post(self, where: str, body: Any = None, **options: Any) -> Any:
        headers = {"Origin": HOME, **options.pop("headers", {})}
        return self.client.post(where, json=body, headers=headers, **options)

    def sheet(self, name: str) -> Any:
        answer = self.get(f"/sheet/{name}")
        assert answer.status_code == 200, answer.text
        return answer.json()

    def change(self, name: str, *edits: tuple[list[str], Any]) -> Any:
        version = self.get(f"/sheet/{name}/version").json()["version"]
        wanted = {"version": version, "edits": [{"key": key, "value": value} for key, value in edits]}
        answer = self.post(f"/sheet/{name}/changes", wanted)
        assert answer.status_code == 200, answer.text
        return answer.json()


def opened(folder: Path, most_body: int = 64_000_000) -> Opened:
    voices = Voices("builtin")
    voices.close()  # nobody works beside: the quick voice sounds, every time alike
    desk = Desk(Folder(folder), voices, prepares=False)
    guard = Guard(make_app(desk), PORT, most_body=most_body)
    client = TestClient(guard, base_url=HOME, raise_server_exceptions=False)
    client.get(f"/?key={guard.key}")
    return Opened(desk, guard, client)


@pytest.fixture
def desk(lessons: Path) -> Opened:
    """A desk on that folder, its key given."""
    return opened(lessons)


@contextmanager
def running(folder: Path, *options: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Run `underbow desk` as a program; give it and its address."""
    command = [sys.executable, "-m", "underbow", "desk", str(folder), "--no-browser", "--voices", "builtin", *options]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as program:
        assert program.stdout is not None
        try:
            address = program.stdout.readline().strip()
            assert re.fullmatch(r"http://127\.0\.0\.1:\d+/\?key=[\w-]{20,}", address), address
            yield program, address
        finally:
            program.terminate()
            try:
                program.wait(20)
            finally:
                program.kill()


Run = Callable[..., Any]


@pytest.fixture(scope="session")
def axe() -> str:
    """The source of axe-core: the file that UNDERBOW_AXE names (.ci/run fetches it)."""
    named = os.environ.get("UNDERBOW_AXE")
    if not named:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(
            "UNDERBOW_AXE doesn't name a file axe.min.js of axe-core 4"
        )
    assert named is not None
    return Path(named).read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def me(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording of that tune."""
    return wav(tmp_path_factory.mktemp("sound") / "me.wav", played(NOTES))


@pytest.fixture
def reels(tmp_path: Path) -> Path:
    """A folder with a sheet below it whose tune has two sides."""
    folder = tmp_path / "lessons"
    (folder / "reels").mkdir(parents=True)
    (folder / "reels" / "two.toml").write_text(SHEET, "utf-8")
    (folder / "reels" / "two.abc").write_text(ABC, "utf-8")
    return folder


def hand_in(desk: Opened, path: Path, file: str = "me.wav", **said: Any) -> Any:
    headers = {"Origin": HOME, "X-File-Name": quote(file)}
    return desk.client.post(
        f"/sheet/{NAME}/recordings?said={quote(json.dumps(said))}", content=path.read_bytes(), headers=headers
    )


def listened(desk: Opened, key: str) -> Any:
    """What is said last of a listening."""
    events = desk.get(f"/listening/{key}/progress").text.split("\n\n")
    return json.loads([event for event in events if event][-1].removeprefix("data: "))


def put(desk: Opened, key: str, by: str = "") -> Any:
    version = desk.get(f"/sheet/{NAME}/version").json()["version"]
    return desk.post(f"/sheet/{NAME}/recording", {"version": version, "listening": key, "by": by})


def listen_to(desk: Opened, path: Path, **said: Any) -> str:
    answer = hand_in(desk, path, **said).json()
    last = listened(desk, answer["listening"])
    assert last["state"] == "laid", last
    return str(answer["listening"])
