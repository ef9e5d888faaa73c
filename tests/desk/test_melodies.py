"""A recording as the melody at the desk: listened to, put on the sheet, its lines moved, heard, and taken away again."""

from __future__ import annotations

import asyncio
import errno
import json
import struct
import tomllib
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pytest
import soundfile

from underbow.desk.played import melodies
from underbow.track.sheet.read import read_sheet

from .conftest import HOME, Opened, opened

RATE = 22_050
ABC = "X:1\nT:Two sides\nM:4/4\nL:1/4\nK:D\n|:D F A d|c A E A:|:d f e c|d A F D:|\n"
NOTES = [62, 66, 69, 74, 73, 69, 64, 69] * 2 + [74, 78, 76, 73, 74, 69, 66, 62] * 2
SHEET = """# Ada's
tune = "two.abc"
pattern = "saw"  # plain
[tempo]
ramp = "steady"
goal = 60
passes = 1
count_in = 1
"""


def played(notes: list[int], beat: float = 0.5, pitch: float = 446.0) -> np.ndarray:
    """A plain tone for each note from the first second on, with some noise."""
    return toned([(1 + at * beat, 1 + (at + 1) * beat, midi) for at, midi in enumerate(notes)], pitch)


def toned(notes: list[tuple[float, float, int]], pitch: float) -> np.ndarray:
    """A plain tone for each note, from one second to another, with some noise."""
    rng = np.random.default_rng(1)
    out = rng.normal(0, 1e-4, round((notes[-1][1] + 2) * RATE))
    for start, end, midi in notes:
        begin = round(start * RATE)
        time = np.arange(round((end - start) * RATE) + 400) / RATE
        shape = np.minimum(1, time / 0.008) * np.minimum(1, (time[-1] - time) / 0.015)
        hertz = pitch * 2 ** ((midi - 69) / 12)
        tone = sum(np.sin(2 * np.pi * hertz * k * time) / k for k in range(1, 8))
        out[begin : begin + len(time)] += 0.1 * tone * shape
    return out.astype(np.float32)


def wav(path: Path, sound: np.ndarray) -> Path:
    soundfile.write(path, sound, RATE, subtype="PCM_16")
    return path


@pytest.fixture(scope="module")
def me(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return wav(tmp_path_factory.mktemp("sound") / "me.wav", played(NOTES))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "lessons"
    (folder / "reels").mkdir(parents=True)
    (folder / "reels" / "two.toml").write_text(SHEET, "utf-8")
    (folder / "reels" / "two.abc").write_text(ABC, "utf-8")
    return folder


NAME = "reels/two.toml"


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


def laid(desk: Opened) -> Any:
    found = desk.get(f"/sheet/{NAME}/recording").json()
    while found["state"] == "making":
        listened(desk, found["key"])
        found = desk.get(f"/sheet/{NAME}/recording").json()
    return found


def bars_of(found: Any) -> dict[tuple[int, int], float]:
    return {(bar["number"], bar["time"]): bar["start"] for bar in found["bars"]}


def heard(desk: Opened, **wanted: Any) -> dict[str, np.ndarray]:
    """The parts of a stream; it is read to its end."""
    body = {"bar": 1, "time": 1, "pass": 1, "around": None, "counted": False, "levels": {}, **wanted}
    data = desk.post(f"/sheet/{NAME}/sound", body).content
    at, parts, blocks = 0, None, []
    while at < len(data):
        (size,) = struct.unpack_from("<I", data, at)
        kind, inside = data[at + 4 : at + 5], data[at + 5 : at + 4 + size]
        at += 4 + size
        if kind == b"J":
            parts = parts or json.loads(inside)["parts"]
        else:
            blocks.append(np.frombuffer(inside, "<i2").reshape(-1, len(parts or [])))
    sound = np.concatenate(blocks) / 32767
    return {name: sound[:, row] for row, name in enumerate(parts or [])}


def pitch_at(sound: np.ndarray, second: float) -> float:
    piece = sound[round(second * 44_100) :][:11_025]
    spectrum = np.abs(np.fft.rfft(piece * np.hanning(len(piece)), 1 << 18))
    return float(spectrum[: 1 << 16].argmax()) * 44_100 / (1 << 18)


def test_a_recording_is_listened_to_put_on_the_sheet_heard_and_taken_away(folder: Path, me: Path) -> None:
    desk = opened(folder)
    assert desk.get(f"/sheet/{NAME}/recording").json() == {"state": "none"}
    before = heard(desk)["melody"]
    answer = hand_in(desk, me).json()
    assert answer["kept"] is None
    assert listened(desk, answer["listening"])["state"] == "laid"
    assert not (folder / "reels" / "me.wav").exists()  # nothing is kept before she says so
    view = put(desk, answer["listening"], "Ada").json()
    assert view["recording"] == {"file": "me.wav", "by": "Ada", "lines": {}}
    assert (folder / "reels" / "me.wav").read_bytes() == me.read_bytes()
    text = (folder / NAME).read_text("utf-8")
    assert text.startswith(SHEET)
    assert tomllib.loads(text)["recording"] == {"file": "me.wav", "by": "Ada"}
    sheet = read_sheet(folder / NAME)  # the command line reads what the desk wrote
    assert sheet.recording is not None
    assert sheet.recording.by == "Ada"

    found = laid(desk)  # known already: nobody listens twice
    assert found["pitch"] == pytest.approx(446, abs=0.3)
    assert [bar["doubts"] for bar in found["bars"]] == [[]] * 8
    for place, second in enumerate([1.0, 3.0, 5.0, 7.0, 9.0, 11.0, 13.0, 15.0]):
        assert found["bars"][place]["start"] == pytest.approx(second, abs=0.03)
    assert [bar["played"] for bar in found["bars"]] == [True] * 8
    assert [name for _, _, _, name in found["notes"]] == [""] * len(found["notes"])
    assert [step for _, _, step, _ in found["notes"][:4]] == [1, 3, 5, 8]  # D F A d, from middle C

    melody = heard(desk)["melody"]  # 60 a minute: a beat a second
    assert not np.allclose(melody[:44_100], before[:44_100], atol=1e-3)
    for beat, midi in enumerate(NOTES[:8]):
        assert pitch_at(melody, 0.02 + beat + 0.4) == pytest.approx(446 * 2 ** ((midi - 69) / 12), rel=0.002)
    assert pitch_at(before, 0.42) == pytest.approx(440 * 2 ** (-7 / 12), rel=0.01)

    desk.post(f"/sheet/{NAME}/take/back", {})
    assert (folder / NAME).read_text("utf-8") == SHEET
    assert (folder / "reels" / "me.wav").exists()  # her file stays hers
    desk.post(f"/sheet/{NAME}/take/forth", {})
    assert (folder / NAME).read_text("utf-8") == text
    desk.change(NAME, (["recording"], None))
    assert (folder / NAME).read_text("utf-8").rstrip() == SHEET.rstrip()


def test_a_line_that_is_moved_is_heard_at_once_kept_and_given_back(folder: Path, me: Path) -> None:
    desk = opened(folder)
    put(desk, listen_to(desk, me))
    found = laid(desk)
    assert bars_of(found)[2, 1] == pytest.approx(3.0, abs=0.03)
    early = heard(desk, lines={"2": 2.5}, bar=2)["melody"]  # before it is kept: bar 2 begins a note early
    assert pitch_at(early, 0.3) == pytest.approx(446 * 2 ** (5 / 12), rel=0.003)  # d, the last note of bar 1
    assert laid(desk)["bars"][1]["start"] == found["bars"][1]["start"]
    view = desk.change(NAME, (["recording", "bar_lines"], {"2": 3.05, "2.2": 7.02}))
    assert view["recording"]["lines"] == {"2": 3.05, "2.2": 7.02}
    assert tomllib.loads((folder / NAME).read_text("utf-8"))["recording"]["bar_lines"] == {"2": 3.05, "2.2": 7.02}
    assert np.abs(heard(desk)["melody"]).max() > 0.01  # while the desk listens again, as it lay before
    after = laid(desk)
    assert bars_of(after)[2, 1] == pytest.approx(3.05, abs=0.001)
    assert bars_of(after)[2, 2] == pytest.approx(7.02, abs=0.001)
    assert [(bar["number"], bar["time"]) for bar in after["bars"] if bar["fixed"]] == [(2, 1), (2, 2)]
    desk.change(NAME, (["recording", "bar_lines"], None))
    assert bars_of(laid(desk)) == bars_of(found)


def listen_to(desk: Opened, path: Path, **said: Any) -> str:
    answer = hand_in(desk, path, **said).json()
    last = listened(desk, answer["listening"])
    assert last["state"] == "laid", last
    return str(answer["listening"])


def test_another_tune_is_refused_with_how_unlike_it_is_and_nothing_is_kept(folder: Path, tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    other = wav(tmp_path / "other.wav", played([int(note) for note in rng.choice([60, 63, 65, 68, 70, 72], 40)]))
    desk = opened(folder)
    answer = hand_in(desk, other).json()
    last = listened(desk, answer["listening"])
    assert last["state"] == "refused"
    assert "this tune" in last["what"]
    assert put(desk, answer["listening"]).status_code == 400
    assert (folder / NAME).read_text("utf-8") == SHEET
    assert sorted(path.name for path in (folder / "reels").iterdir()) == ["two.abc", "two.toml"]


def test_what_was_recorded_here_is_kept_whatever_comes_of_it(folder: Path, tmp_path: Path, me: Path) -> None:
    desk = opened(folder)
    silent = wav(tmp_path / "silent.wav", np.zeros(5 * RATE, np.float32))
    answer = hand_in(desk, silent, "take.wav", recorded=True).json()
    assert answer["kept"] == "reels/two-played.wav"
    assert listened(desk, answer["listening"])["state"] == "refused"
    assert (folder / answer["kept"]).read_bytes() == silent.read_bytes()
    key = listen_to(desk, me, recorded=True)
    assert put(desk, key).json()["recording"]["file"] == "two-played-2.wav"
    assert len(list((folder / "reels").glob("*.wav"))) == 2  # kept once


def test_a_file_of_hers_that_lies_there_is_named_and_one_called_alike_is_not_overwritten(
    folder: Path, me: Path
) -> None:
    desk = opened(folder)
    (folder / "reels" / "me.wav").write_bytes(b"something else")
    assert put(desk, listen_to(desk, me)).json()["recording"]["file"] == "me-2.wav"
    assert (folder / "reels" / "me.wav").read_bytes() == b"something else"
    assert put(desk, listen_to(desk, me, file="me-2.wav")).json()["recording"]["file"] == "me-2.wav"
    assert sorted(path.name for path in (folder / "reels").glob("*.wav")) == ["me-2.wav", "me.wav"]


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
    folder: Path, tmp_path: Path, data: bytes, file: str, says: str
) -> None:
    desk = opened(folder)
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
    assert sorted(path.name for path in (folder / "reels").iterdir()) == ["two.abc", "two.toml"]


def test_a_recording_that_says_absurd_things_of_itself_is_refused(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow = tmp_path / "slow.wav"
    soundfile.write(slow, np.zeros(4000, np.float32), 2)
    desk = opened(folder)
    assert "2 samples a second" in listened(desk, hand_in(desk, slow).json()["listening"])["what"]
    empty = tmp_path / "empty.wav"
    soundfile.write(empty, np.zeros(0, np.float32), RATE)
    assert "there is no sound in it" in listened(desk, hand_in(desk, empty).json()["listening"])["what"]
    monkeypatch.setattr("underbow.jobs.recorded.MOST_SECONDS", 240)
    long = wav(tmp_path / "long.wav", np.zeros(241 * RATE, np.float32))
    assert "longer than 4 minutes" in listened(desk, hand_in(desk, long).json()["listening"])["what"]


def test_what_is_stopped_or_left_behind_is_cleared_away(
    folder: Path, me: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "for the time being"
    place.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(place))
    desk = opened(folder)
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
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "for the time being"
    place.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(place))
    desk = opened(folder)
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
    folder: Path, me: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    desk = opened(folder)
    key = listen_to(desk, me)
    with monkeypatch.context() as patched:
        patched.setattr("shutil.copyfile", full)
        answer = put(desk, key)
    assert answer.status_code == 500
    (problem,) = answer.json()["problems"]
    assert "full" in problem["what"]
    assert sorted(path.name for path in (folder / "reels").iterdir()) == ["two.abc", "two.toml"]
    assert (folder / NAME).read_text("utf-8") == SHEET
    assert put(desk, key).status_code == 200  # there is room again
    with monkeypatch.context() as patched:
        patched.setattr("underbow.desk.played.tape.eased", full)
        last = listened(desk, hand_in(desk, me).json()["listening"])
    assert last["state"] == "refused"
    assert last["what"] == "there is no room to listen to it: No space left on device"


def test_a_sheet_that_was_changed_meanwhile_is_not_overwritten_and_the_recording_can_be_put_again(
    folder: Path, me: Path
) -> None:
    desk = opened(folder)
    key = listen_to(desk, me)
    seen = desk.get(f"/sheet/{NAME}/version").json()["version"]
    (folder / NAME).write_text(SHEET.replace("goal = 60", "goal = 70"), "utf-8")
    late = desk.post(f"/sheet/{NAME}/recording", {"version": seen, "listening": key, "by": ""})
    assert late.status_code == 409
    assert "recording" not in (folder / NAME).read_text("utf-8")
    assert put(desk, key).json()["recording"]["file"] == "me.wav"
    assert "goal = 70" in (folder / NAME).read_text("utf-8")
    assert len(list((folder / "reels").glob("*.wav"))) == 1
    assert put(desk, key).status_code == 400  # it is on the sheet


def test_progress_is_remembered_only_when_asked_and_forgotten_when_asked(folder: Path, tmp_path: Path) -> None:
    desk = opened(folder)
    where = f"/sheet/{NAME}/history"
    nothing = {"kept": False, "file": "underbow-history.sqlite", "rows": []}
    assert desk.get(where).json() == nothing
    silent = wav(tmp_path / "silent.wav", np.zeros(5 * RATE, np.float32)).read_bytes()
    headers = {"Origin": HOME, "X-File-Name": "monday.wav"}

    def take(said: dict[str, Any]) -> Any:
        return desk.client.post(
            f"/sheet/{NAME}/takes?said={quote(json.dumps(said))}", content=silent, headers=headers
        ).json()

    first = take({})
    assert not first["remembered"]
    assert desk.get(where).json() == nothing
    assert desk.post(where, {"remember": "another.html"}).status_code == 400
    assert desk.post(where, {"remember": first["page"]}).json()["kept"]
    assert (folder / "reels" / "underbow-history.sqlite").exists()
    assert take({"made": 1_900_000_000_000})["remembered"]
    assert not desk.post(where, {"forget": True}).json()["kept"]
    assert not (folder / "reels" / "underbow-history.sqlite").exists()


def test_a_missing_recording_is_told_at_its_place_and_the_sheet_still_plays(folder: Path) -> None:
    (folder / NAME).write_text(SHEET + '[recording]\nfile = "gone.wav"\n', "utf-8")
    desk = opened(folder)
    view = desk.sheet(NAME)
    assert [(one["part"], "gone.wav" in one["what"]) for one in view["problems"]] == [("playing", True)]
    assert view["recording"]["file"] == "gone.wav"
    assert np.abs(heard(desk)["melody"]).max() > 0.01
    assert desk.get(f"/sheet/{NAME}/recording").json() == {"state": "none"}


def test_a_recording_changed_in_the_folder_is_listened_to_anew(folder: Path, me: Path) -> None:
    desk = opened(folder)
    put(desk, listen_to(desk, me))
    first = laid(desk)
    wav(folder / "reels" / "me.wav", np.concatenate([np.zeros(RATE // 2, np.float32), played(NOTES)]))
    again = laid(desk)
    assert again["bars"][0]["start"] == pytest.approx(first["bars"][0]["start"] + 0.5, abs=0.02)
