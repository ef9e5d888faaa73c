"""The program: its first line, its end, its trouble with ports and folders."""

from __future__ import annotations

import http.client
import io
import json
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from underbow.cli.commands import app
from underbow.desk.launcher import launcher_for, make_launcher

from .conftest import running


def ask(
    address: str, where: str, method: str = "GET", body: str | bytes | None = None, cookie: str = "", **headers: str
) -> tuple[int, dict[str, str], bytes]:
    """One request, by nothing but the standard library."""
    port = int(re.findall(r":(\d+)/", address)[0])
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    if cookie:
        headers["Cookie"] = cookie
    connection.request(method, where, body, headers)
    answer = connection.getresponse()
    data = answer.read()
    connection.close()
    return answer.status, {name.lower(): value for name, value in answer.getheaders()}, data


def cookie_of(address: str) -> str:
    status, headers, _ = ask(address, "/?" + address.partition("?")[2])
    assert status == 303
    return headers["set-cookie"].partition(";")[0]


@pytest.mark.parametrize("how", ["SIGINT", "SIGTERM", "SIGHUP", "page"])
def test_it_says_its_address_and_nothing_more_and_ends_with_status_0(lessons: Path, how: str) -> None:
    with running(lessons) as (program, address):
        cookie = cookie_of(address)
        status, _, data = ask(address, "/shelf", cookie=cookie)
        assert status == 200
        assert len(json.loads(data)["sheets"]) == 5
        if how == "page":
            home = address.partition("/?")[0]
            assert ask(address, "/close", "POST", "{}", cookie, Origin=home)[0] == 200
        else:
            program.send_signal(getattr(signal, how))
        out, err = program.communicate(timeout=20)
        assert (program.returncode, out, err) == (0, "", "")


def test_it_ends_in_order_while_a_sound_is_streamed_and_a_lesson_made(lessons: Path) -> None:
    with running(lessons) as (program, address):
        cookie, home = cookie_of(address), address.partition("/?")[0]
        port = int(home.rpartition(":")[2])
        wanted = json.dumps({"sheets": ["gateposts.toml"], "title": "Tuesday"})
        lesson = json.loads(ask(address, "/lessons", "POST", wanted, cookie, Origin=home)[2])["lesson"]
        with (
            socket.create_connection(("127.0.0.1", port)) as listener,
            socket.create_connection(("127.0.0.1", port)) as watcher,
        ):
            watcher.sendall(
                f"GET /lessons/{lesson}/progress HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nCookie: {cookie}\r\n\r\n".encode()
            )
            body = json.dumps({"bar": 1})
            listener.sendall(
                f"POST /sheet/gateposts.toml/sound HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nCookie: {cookie}\r\nOrigin: {home}\r\n"
                f"Content-Length: {len(body)}\r\n\r\n{body}".encode()
            )
            assert listener.recv(4096).startswith(b"HTTP/1.1 200")
            assert watcher.recv(4096).startswith(b"HTTP/1.1 200")
            program.send_signal(signal.SIGTERM)
            out, err = program.communicate(timeout=30)
        assert (program.returncode, out, err) == (0, "", "")
    left = [path.name for path in lessons.rglob("*") if path.name.endswith(".part")]
    assert left == []


def test_it_listens_on_this_machine_alone(lessons: Path) -> None:
    with running(lessons) as (_, address):
        port = int(re.findall(r":(\d+)/", address)[0])
        for family, own in ((socket.AF_INET, "127.0.0.1"),):
            with socket.socket(family) as probe:
                probe.settimeout(5)
                probe.connect((own, port))
        try:
            own_names = {found[4][0] for found in socket.getaddrinfo(socket.gethostname(), port, socket.AF_INET)}
        except socket.gaierror:  # a machine that doesn't know its own name
            own_names = set()
        for other in {*own_names, "127.0.0.2"} - {"127.0.0.1"}:
            with socket.socket() as probe:
                probe.settimeout(2)
                assert probe.connect_ex((other, port)) != 0  # refused, or no way there


def test_a_port_that_is_taken_and_a_folder_that_is_none_say_so(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        said = CliRunner().invoke(app, ["desk", str(tmp_path), "--no-browser", "--port", str(taken.getsockname()[1])])
    assert said.exit_code == 2
    assert "can't be used" in said.stderr
    assert "leave --port out" in said.stderr
    said = CliRunner().invoke(app, ["desk", str(tmp_path / "none"), "--no-browser"])
    assert (said.exit_code, said.stderr.count("\n")) == (2, 1)
    assert "no folder" in said.stderr


def test_what_the_desk_needs_is_loaded_when_it_runs() -> None:
    code = (
        "import sys, underbow.cli.commands; print([m for m in sys.modules if m in ('starlette', 'uvicorn', 'tomlkit')])"
    )
    assert (
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip() == "[]"
    )


# --- the double click ---


@pytest.mark.skipif(sys.platform != "linux", reason="runs what this system runs")
def test_the_launcher_opens_the_desk_of_its_folder(tmp_path: Path) -> None:
    """The Exec line is taken apart as the Desktop Entry Specification 1.5 says, and run."""
    folder = tmp_path / 'Ann\'s "reels" & 100 % $jigs`'
    folder.mkdir()
    path = make_launcher(folder)
    assert path.parent == folder
    assert path.stat().st_mode & 0o111
    line = next(line for line in path.read_text("utf-8").splitlines() if line.startswith("Exec="))
    unescaped = line.removeprefix("Exec=").replace("\\\\", "\\")  # a string value: the first of the two rules
    parts = [re.sub(r"\\(.)", r"\1", part).replace("%%", "%") for part in re.findall(r'"((?:[^"\\]|\\.)*)"', unescaped)]
    assert parts == [sys.executable, "-m", "underbow", "desk", str(folder)]
    with subprocess.Popen([*parts, "--no-browser"], stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout is not None
        assert program.stdout.readline().startswith("http://127.0.0.1:")
        program.terminate()
        assert program.wait(20) == 0


def test_launchers_of_other_systems_hold_what_these_run() -> None:
    ending, text = launcher_for("win32", r"C:\Program Files\Py\python.exe", Path(r"C:\Users\Ann\100% reels"))
    assert ending == ".cmd"
    assert r'"C:\Program Files\Py\python.exe" -m underbow desk "C:\Users\Ann\100%% reels"' in text
    ending, text = launcher_for("darwin", "/opt/a b/python", Path("/Users/Ann/it's"))
    assert ending == ".command"
    assert text.startswith("#!/bin/sh\n")
    shown = subprocess.run(
        ["sh", "-c", text.splitlines()[1].replace("exec ", "printf '%s\\n' ", 1)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert shown.stdout.splitlines() == ["/opt/a b/python", "-m", "underbow", "desk", "/Users/Ann/it's"]


def test_the_page_opens_soon(lessons: Path) -> None:
    """No figure is held to here, only that the address comes with a server behind it: times stand in benchmarks/desk."""
    begun = time.monotonic()
    with running(lessons) as (_, address):
        assert ask(address, "/", cookie=cookie_of(address))[0] == 200
    assert time.monotonic() - begun < 60


def test_a_desk_that_is_listening_ends_in_order(tmp_path: Path) -> None:
    """A recording that is on its way keeps nobody waiting, and what was opened for it is cleared away by the next run."""
    (tmp_path / "two.abc").write_text("X:1\nT:Two\nM:4/4\nL:1/4\nK:D\nDFAd|cAEA|dfec|dAFD|]\n", "utf-8")
    (tmp_path / "two.toml").write_text('tune = "two.abc"\n', "utf-8")
    sound = io.BytesIO()
    soundfile.write(sound, np.random.default_rng(1).normal(0, 0.05, 60 * 22_050), 22_050, format="WAV")
    with running(tmp_path) as (program, address):
        cookie = cookie_of(address)
        home = address.partition("/?")[0]
        status, _, data = ask(
            address, "/sheet/two.toml/recordings?said={}", "POST", sound.getvalue(), cookie,
            **{"Origin": home, "X-File-Name": "me.wav"},
        )  # fmt: skip
        assert (status, set(json.loads(data))) == (200, {"listening", "kept"})
        program.send_signal(signal.SIGTERM)
        assert program.wait(60) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["two.abc", "two.toml"]
