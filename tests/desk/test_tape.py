"""A recorded melody in the stream: no seam where a stretch joins the next, and in its place wherever it begins."""

from __future__ import annotations

import json
import struct
from dataclasses import replace
from fractions import Fraction
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from underbow.desk.hear.prompt import Hurried
from underbow.desk.hear.stream import LEAD, Asked, listen
from underbow.desk.hear.voices import RATE, Voices
from underbow.track.recorded import Excerpt, Recorded
from underbow.track.sheet.model import Sheet
from underbow.track.sheet.read import read_sheet

from .two_sides import ABC, SHEET


@pytest.fixture
def sheet(tmp_path: Path) -> Sheet:
    (tmp_path / "two.abc").write_text(ABC, "utf-8")
    (tmp_path / "two.toml").write_text(SHEET.replace("goal = 60", "goal = 120"), "utf-8")
    return replace(read_sheet(tmp_path / "two.toml"), feel_ms=0.0)


def recording(folder: Path, sound: np.ndarray) -> Recorded:
    """Eight bars of two seconds each, a beat half a second, from the first second on."""
    path = folder / "tape.f32"
    sound.astype(np.float32).tofile(path)
    points = tuple((Fraction(beat), 1 + beat / 2) for beat in range(33))
    return Recorded(path, RATE, (Excerpt(points, 18.0),), -20.0)


def melody(sheet: Sheet, recorded: Recorded, asked: Asked, seconds: float) -> np.ndarray:
    voice = Hurried(Voices("builtin").voice(sheet), patience=1e9)
    rows, head, size = [], None, 0
    for message in listen(sheet, voice, asked, recorded=recorded):
        (length,) = struct.unpack_from("<I", message)
        if message[4:5] == b"J":
            head = head or json.loads(message[5 : 4 + length])
        else:
            assert head is not None
            rows.append(np.frombuffer(message[5 : 4 + length], "<i2").reshape(-1, len(head["parts"])))
            size += len(rows[-1])
        if size > seconds * RATE:
            break
    assert head is not None
    return np.concatenate(rows)[:, head["parts"].index("melody")].astype(float) / 32767


def test_what_goes_round_and_what_goes_on_has_no_seam(sheet: Sheet, tmp_path: Path) -> None:
    """A steady tone stays one: as loud throughout, and nowhere steeper than a tone of its height and size can be."""
    hertz = 440.0
    tone = 0.1 * np.sin(2 * np.pi * hertz * np.arange(20 * RATE) / RATE)
    recorded = recording(tmp_path, tone)
    for asked in (Asked(bar=1, around=(1, 2)), Asked(bar=1)):
        sound = melody(sheet, recorded, asked, 9.0)[round(0.06 * RATE) :]
        windows = sound[: len(sound) // 882 * 882].reshape(-1, 882)
        level = 20 * np.log10(windows.std(axis=1))
        assert np.ptp(level) < 1.0
        steepest = 2 * np.pi * hertz / RATE * np.abs(sound).max()
        assert np.abs(np.diff(sound)).max() < 1.1 * steepest


@pytest.mark.parametrize(("bar", "time"), [(1, 1), (2, 2), (4, 1)])
def test_it_begins_at_the_bar_asked_for(sheet: Sheet, tmp_path: Path, bar: int, time: int) -> None:
    """Every beat of the recording is a knock of its own height, so that it tells where one is."""
    sound = np.zeros(20 * RATE)
    begins = [round((1 + beat / 2) * RATE) for beat in range(32)]
    for beat, at in enumerate(begins):
        sound[at : at + 4000] += 0.1 * np.sin(2 * np.pi * (300 + 40 * beat) * np.arange(4000) / RATE) * np.hanning(4000)
    heard = melody(sheet, recording(tmp_path, sound), Asked(bar=bar, time=time), 2.5)
    first = next(at for at, one in enumerate(sheet.melody.bars) if (one.number, one.time) == (bar, time)) * 4
    for beat in range(4):
        at = round((LEAD + beat / 2) * RATE)
        piece = heard[at : at + 4000] * np.hanning(4000)
        spectrum = np.abs(np.fft.rfft(piece, 1 << 16))
        assert spectrum.argmax() * RATE / (1 << 16) == pytest.approx(300 + 40 * (first + beat), abs=6)


def test_a_stream_that_is_left_early_reads_no_further(sheet: Sheet, tmp_path: Path) -> None:
    recorded = recording(tmp_path, np.zeros(20 * RATE))
    voice = Hurried(Voices("builtin").voice(sheet), patience=1e9)
    assert len(list(islice(listen(sheet, voice, Asked(bar=1), recorded=recorded), 4))) == 4
