"""A recording as the melody at the desk: listened to, put on the sheet, its lines moved, heard, and taken away again."""

from __future__ import annotations

import json
import struct
import tomllib
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pytest

from underbow.track.sheet.read import read_sheet

from .conftest import HOME, Opened, hand_in, listen_to, listened, opened, put
from .two_sides import NAME, NOTES, RATE, SHEET, played, wav


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


def test_a_recording_is_listened_to_put_on_the_sheet_heard_and_taken_away(reels: Path, me: Path) -> None:
    desk = opened(reels)
    assert desk.get(f"/sheet/{NAME}/recording").json() == {"state": "none"}
    before = heard(desk)["melody"]
    answer = hand_in(desk, me).json()
    assert answer["kept"] is None
    assert listened(desk, answer["listening"])["state"] == "laid"
    assert not (reels / "reels" / "me.wav").exists()  # nothing is kept before she says so
    view = put(desk, answer["listening"], "Ada").json()
    assert view["recording"] == {"file": "me.wav", "by": "Ada", "lines": {}}
    assert (reels / "reels" / "me.wav").read_bytes() == me.read_bytes()
    text = (reels / NAME).read_text("utf-8")
    assert text.startswith(SHEET)
    assert tomllib.loads(text)["recording"] == {"file": "me.wav", "by": "Ada"}
    sheet = read_sheet(reels / NAME)  # the command line reads what the desk wrote
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
    assert (reels / NAME).read_text("utf-8") == SHEET
    assert (reels / "reels" / "me.wav").exists()  # her file stays hers
    desk.post(f"/sheet/{NAME}/take/forth", {})
    assert (reels / NAME).read_text("utf-8") == text
    desk.change(NAME, (["recording"], None))
    assert (reels / NAME).read_text("utf-8").rstrip() == SHEET.rstrip()


def test_a_line_that_is_moved_is_heard_at_once_kept_and_given_back(reels: Path, me: Path) -> None:
    desk = opened(reels)
    put(desk, listen_to(desk, me))
    found = laid(desk)
    assert bars_of(found)[2, 1] == pytest.approx(3.0, abs=0.03)
    early = heard(desk, lines={"2": 2.5}, bar=2)["melody"]  # before it is kept: bar 2 begins a note early
    assert pitch_at(early, 0.3) == pytest.approx(446 * 2 ** (5 / 12), rel=0.003)  # d, the last note of bar 1
    assert laid(desk)["bars"][1]["start"] == found["bars"][1]["start"]
    view = desk.change(NAME, (["recording", "bar_lines"], {"2": 3.05, "2.2": 7.02}))
    assert view["recording"]["lines"] == {"2": 3.05, "2.2": 7.02}
    assert tomllib.loads((reels / NAME).read_text("utf-8"))["recording"]["bar_lines"] == {"2": 3.05, "2.2": 7.02}
    assert np.abs(heard(desk)["melody"]).max() > 0.01  # while the desk listens again, as it lay before
    after = laid(desk)
    assert bars_of(after)[2, 1] == pytest.approx(3.05, abs=0.001)
    assert bars_of(after)[2, 2] == pytest.approx(7.02, abs=0.001)
    assert [(bar["number"], bar["time"]) for bar in after["bars"] if bar["fixed"]] == [(2, 1), (2, 2)]
    desk.change(NAME, (["recording", "bar_lines"], None))
    assert bars_of(laid(desk)) == bars_of(found)


def test_what_was_recorded_here_is_kept_whatever_comes_of_it(reels: Path, tmp_path: Path, me: Path) -> None:
    desk = opened(reels)
    silent = wav(tmp_path / "silent.wav", np.zeros(5 * RATE, np.float32))
    answer = hand_in(desk, silent, "take.wav", recorded=True).json()
    assert answer["kept"] == "reels/two-played.wav"
    assert listened(desk, answer["listening"])["state"] == "refused"
    assert (reels / answer["kept"]).read_bytes() == silent.read_bytes()
    key = listen_to(desk, me, recorded=True)
    assert put(desk, key).json()["recording"]["file"] == "two-played-2.wav"
    assert len(list((reels / "reels").glob("*.wav"))) == 2  # kept once


def test_progress_is_remembered_only_when_asked_and_forgotten_when_asked(reels: Path, tmp_path: Path) -> None:
    desk = opened(reels)
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
    assert (reels / "reels" / "underbow-history.sqlite").exists()
    assert take({"made": 1_900_000_000_000})["remembered"]
    assert not desk.post(where, {"forget": True}).json()["kept"]
    assert not (reels / "reels" / "underbow-history.sqlite").exists()


def test_a_missing_recording_is_told_at_its_place_and_the_sheet_still_plays(reels: Path) -> None:
    (reels / NAME).write_text(SHEET + '[recording]\nfile = "gone.wav"\n', "utf-8")
    desk = opened(reels)
    view = desk.sheet(NAME)
    assert [(one["part"], "gone.wav" in one["what"]) for one in view["problems"]] == [("playing", True)]
    assert view["recording"]["file"] == "gone.wav"
    assert np.abs(heard(desk)["melody"]).max() > 0.01
    assert desk.get(f"/sheet/{NAME}/recording").json() == {"state": "none"}


def test_a_recording_changed_in_the_folder_is_listened_to_anew(reels: Path, me: Path) -> None:
    desk = opened(reels)
    put(desk, listen_to(desk, me))
    first = laid(desk)
    wav(reels / "reels" / "me.wav", np.concatenate([np.zeros(RATE // 2, np.float32), played(NOTES)]))
    again = laid(desk)
    assert again["bars"][0]["start"] == pytest.approx(first["bars"][0]["start"] + 0.5, abs=0.02)
