"""The page's audio: its size, its knock, where its music begins in more than one decoder, its loudness."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile

from underbow.errors import InputError
from underbow.lesson.practice import audio as module
from underbow.lesson.practice.audio import KNOCK, LEAD, RATE, bit_rate, knock, page_audio
from underbow.lesson.practice.page import make_page
from underbow.sound.choose import Choice
from underbow.sound.mastering.loudness import LoudnessMeter
from underbow.track.mixes import Mix

from .conftest import Page, Track

MEGABYTE = 1_000_000


def decoded(sound: bytes) -> np.ndarray:
    samples, rate = soundfile.read(io.BytesIO(sound), dtype="float32")
    assert rate == RATE
    assert samples.ndim == 1
    return np.asarray(samples)


def test_the_same_performance_gives_the_same_bytes(track: Track) -> None:
    mixes = track.sheet.mixes[:1]
    again = page_audio(track.performance, mixes, voices="builtin")
    assert again[mixes[0].name] == track.audio[mixes[0].name]


def test_every_mix_is_as_loud_as_asked(track: Track) -> None:
    for name, sound in track.audio.items():
        samples = decoded(sound)[round(LEAD * RATE) :]
        meter = LoudnessMeter(RATE, 2)
        meter.add(np.stack([samples, samples], axis=1))  # one signal from both loudspeakers
        assert meter.integrated() == pytest.approx(-16.0, abs=1.0), name
        assert np.abs(samples).max() < 1.0


def test_the_knock_is_a_short_sound_in_silence() -> None:
    sound = knock()
    assert len(sound) == round(LEAD * RATE)
    loud = np.flatnonzero(np.abs(sound) > 1e-4) / RATE
    assert loud.min() > KNOCK - 0.015
    assert loud.max() < KNOCK + 0.015
    assert np.average(np.arange(len(sound)), weights=sound**2) / RATE == pytest.approx(KNOCK, abs=1e-5)


@pytest.mark.parametrize("mixes", [1, 2, 4, 6])
def test_six_minutes_of_mixes_fit_a_page_of_12_megabytes(mixes: int) -> None:
    size = bit_rate(360, mixes) * 125 * (360 + LEAD) * mixes
    if mixes <= 4:
        assert size * 4 / 3 < 11.7 * MEGABYTE
    assert bit_rate(360, mixes) >= (48 if mixes <= 4 else 32)


def test_a_minute_is_as_large_as_its_bit_rate_says(track: Track) -> None:
    seconds = track.performance.tempo.seconds(track.performance.length)
    kbps = bit_rate(seconds, len(track.audio))
    for sound in track.audio.values():
        assert len(sound) == pytest.approx(kbps * 125 * seconds, rel=0.1)


@pytest.mark.parametrize("kbps", [32, 48, 64])
def test_the_page_finds_the_music_at_every_bit_rate(
    browser: Page, track: Track, monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory, kbps: int
) -> None:
    """Below 64 kbit/s there is no header that tells a decoder its lag: the knock does."""
    monkeypatch.setattr(module, "bit_rate", lambda _seconds, _mixes: kbps)
    mixes = track.sheet.mixes[:1]
    audio = page_audio(track.performance, mixes, voices="builtin")
    path = tmp_path_factory.mktemp("rate") / "page.html"
    path.write_bytes(make_page(track.sheet, track.performance, mixes, audio))
    browser.open(path)
    browser.play()
    offset = browser.run("return spy.starts[0].offset")
    sound = browser.samples(0)
    browser.press("#play")
    seconds = track.performance.tempo.seconds
    first = next(click for click in track.performance.part("click").gestures)
    at = round((offset + seconds(first.start) - 0.02) * RATE)
    near = np.abs(sound[at : at + round(0.06 * RATE)])
    onset = (at + int(np.argmax(near > near.max() / 10))) / RATE
    assert onset - offset == pytest.approx(seconds(first.start), abs=0.003)


def test_a_silent_mix_is_made_too(track: Track) -> None:
    (sound,) = page_audio(track.performance, [Mix("hush", (("drone", (None,)), ("tuning", (None,))))]).values()
    assert np.abs(decoded(sound)[round((LEAD + 0.1) * RATE) :]).max() < 1e-3


def test_progress_is_told_and_ends_at_one(track: Track) -> None:
    told: list[float] = []
    page_audio(track.performance, track.sheet.mixes[:1], voices="builtin", progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_the_voice_is_given_back(track: Track, monkeypatch: pytest.MonkeyPatch) -> None:
    """A SoundFont's synth holds its bank outside Python: a lesson of many sheets would keep one for each."""
    closed: list[str] = []
    monkeypatch.setattr(Choice, "close", lambda choice: closed.append(choice.what))
    page_audio(track.performance, track.sheet.mixes[:1], voices="builtin")
    monkeypatch.setattr(module, "MOST_MINUTES", 0.1)
    with pytest.raises(InputError):
        page_audio(track.performance, track.sheet.mixes[:1], voices="builtin")
    assert closed == ["builtin"] * 2


def test_a_track_too_long_for_a_page_is_refused_with_the_cure(track: Track, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_MINUTES", 0.1)
    with pytest.raises(InputError, match=r"a track of 1 minutes is too long for a practice page.*write fewer passes"):
        page_audio(track.performance, track.sheet.mixes, voices="builtin")
