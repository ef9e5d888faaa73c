"""Recordings that are no melody, or don't come through: each told in one line, nothing lost, nothing left behind."""

from __future__ import annotations

import asyncio
import errno
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from underbow.desk.played import melodies

from .conftest import HOME, hand_in, listen_to, listened, opened, put
from .two_sides import NAME, RATE, SHEET, played, wav


def test_another_tune_is_refused_with_how_unlike_it_is_and_nothing_is_kept(reels: Path, tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    other = wav(tmp_path / "other.wav", played([int(note) for note in rng.choice([60, 63, 65, 68, 70, 72], 40)]))
    desk = opened(reels)
    answer = hand_in(desk, other).json()
    last = listened(desk, answer["listening"])
    assert last["state"] == "refused"
    assert "this tune" in last["what"]
    assert put(desk, answer["listening"]).status_code == 400
    assert (reels / NAME).read_text("utf-8") == SHEET
    assert sorted(path.name for path in (reels / "reels").iterdir()) == ["two.abc", "two.toml"]


def test_a_file_of_hers_that_lies_there_is_named_and_one_called_alike_is_not_overwritten(reels: Path, me: Path) -> None:
    desk = opened(reels)
    (reels / "reels" / "me.wav").write_bytes(b"something else")
    assert put(desk, listen_to(desk, me)).json()["recording"]["file"] == "me-2.wav"
    assert (reels / "reels" / "me.wav").read_bytes() == b"something else"
    assert put(desk, listen_to(desk, me, file="me-2.wav")).json()["recording"]["file"] == "me-2.wav"
    assert sorted(path.name for path in (reels / "reels").glob("*.wav")) == ["me-2.wav", "me.wav"]


@pytest.mark.parametrize(
    ("data", "file", "says"),
    [
        (b"", "me.wav", "not a sound that can be read"),
        (b"RIFF no sound", "me.wav", "not a sound that can be read"),
        (b"x", "../../me.pdf", "me.pdf: not a recording; choose a wav, flac, ogg, mp3, m4a or webm file"),
        (b"x", "", ": not a recording; choose a wav, flac, ogg, mp3, m4a or webm file"),
    ],
)
def test_what_is_no_recording_is_told_in_one_line(
    reels: Path, tmp_path: Path, data: bytes, file: str, says: str
) -> None:
    desk = opened(reels)
    (tmp_path / "x").write_bytes(data)
    answer = hand_in(desk, tmp_path / "x", file)
    what = (
        answer.json()["problems"][0]["what"]
        if answer.status_code == 400
        else listened(desk, answer.json()["listening"])["what"]
    )
    assert says in what
    assert "\n" not in what
    assert "/tmp" not in what
    assert sorted(path.name for path in (reels / "reels").iterdir()) == ["two.abc", "two.toml"]


def test_a_recording_that_says_absurd_things_of_itself_is_refused(
    reels: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow = tmp_path / "slow.wav"
    soundfile.write(slow, np.zeros(4000, np.float32), 2)
    desk = opened(reels)
    assert "2 samples a second" in listened(desk, hand_in(desk, slow).json()["listening"])["what"]
    empty = tmp_path / "empty.wav"
    soundfile.write(empty, np.zeros(0, np.float32), RATE)
    assert "there is no sound in it" in listened(desk, hand_in(desk, empty).json()["listening"])["what"]
    monkeypatch.setattr("underbow.jobs.recorded.MOST_SECONDS", 240)
    long = wav(tmp_path / "long.wav", np.zeros(241 * RATE, np.float32))
    assert "longer than 4 minutes" in listened(desk, hand_in(desk, long).json()["listening"])["what"]


def test_what_is_stopped_or_left_behind_is_cleared_away(
    reels: Path, me: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "for the time being"
    place.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(place))
    desk = opened(reels)
    key = hand_in(desk, me).json()["listening"]
    assert desk.post(f"/listening/{key}/stop", {}).json() == {}
    assert listened(desk, key)["state"] in ("stopped", "refused", "laid")  # wherever it was just then
    assert put(desk, key).status_code == 400
    keys = [hand_in(desk, me).json()["listening"] for _ in range(melodies._ARRIVED + 2)]
    for one in keys:
        listened(desk, one)
    assert put(desk, keys[0]).status_code == 400  # the oldest are no longer waited for
    assert put(desk, keys[-1]).status_code == 200
    headers = {"Origin": HOME, "X-File-Name": "me.wav"}
    for where in ("/sheet/none.toml/recordings", "/sheet/none.toml/takes", '/written?said={"meter":"x"}'):
        assert desk.client.post(where, content=b"x", headers=headers).status_code == 400
    desk.desk.stop()
    assert [path.name for path in place.iterdir() if ".work" in path.name] == []
    assert desk.post("/listening/none/stop", {}).json() == {}
    assert desk.get("/listening/none/progress").status_code == 404


def test_an_upload_that_is_broken_off_leaves_nothing(
    reels: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "for the time being"
    place.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(place))
    desk = opened(reels)
    cookie = "; ".join(f"{name}={value}" for name, value in desk.client.cookies.items())
    headers = {"host": HOME[7:], "origin": HOME, "cookie": cookie, "x-file-name": "me.wav"}
    scope = {
        "type": "http", "method": "POST", "path": f"/sheet/{NAME}/recordings", "query_string": b"said={}", "root_path": "",
        "scheme": "http", "http_version": "1.1", "headers": [(key.encode(), value.encode()) for key, value in headers.items()],
    }  # fmt: skip
    coming = [{"type": "http.request", "body": b"RIFF", "more_body": True}, {"type": "http.disconnect"}]
    said: list[Any] = []

    async def receive() -> Any:
        return coming.pop(0)

    async def send(message: Any) -> None:
        said.append(message)

    asyncio.run(desk.guard(scope, receive, send))
    assert said[0]["status"] == 400
    assert [path.name for path in place.iterdir() if ".work" in path.name] == []


def test_a_full_disk_is_told_in_one_line_and_leaves_nothing(
    reels: Path, me: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    desk = opened(reels)
    key = listen_to(desk, me)
    with monkeypatch.context() as patched:
        patched.setattr("shutil.copyfile", full)
        answer = put(desk, key)
    assert answer.status_code == 500
    (problem,) = answer.json()["problems"]
    assert "full" in problem["what"]
    assert sorted(path.name for path in (reels / "reels").iterdir()) == ["two.abc", "two.toml"]
    assert (reels / NAME).read_text("utf-8") == SHEET
    assert put(desk, key).status_code == 200  # there is room again
    with monkeypatch.context() as patched:
        patched.setattr("underbow.desk.played.tape.eased", full)
        last = listened(desk, hand_in(desk, me).json()["listening"])
    assert last["state"] == "refused"
    assert last["what"] == "there is no room to listen to it: No space left on device"


def test_a_sheet_that_was_changed_meanwhile_is_not_overwritten_and_the_recording_can_be_put_again(
    reels: Path, me: Path
) -> None:
    desk = opened(reels)
    key = listen_to(desk, me)
    seen = desk.get(f"/sheet/{NAME}/version").json()["version"]
    (reels / NAME).write_text(SHEET.replace("goal = 60", "goal = 70"), "utf-8")
    late = desk.post(f"/sheet/{NAME}/recording", {"version": seen, "listening": key, "by": ""})
    assert late.status_code == 409
    assert "recording" not in (reels / NAME).read_text("utf-8")
    assert put(desk, key).json()["recording"]["file"] == "me.wav"
    assert "goal = 70" in (reels / NAME).read_text("utf-8")
    assert len(list((reels / "reels").glob("*.wav"))) == 1
    assert put(desk, key).status_code == 400  # it is on the sheet
