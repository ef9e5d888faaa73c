"""The page's audio: its size, its knock, where its music begins in more than one decoder, its levels."""

from __future__ import annotations

import io
from contextlib import closing

import numpy as np
import pytest
import soundfile

from underbow.errors import InputError
from underbow.lesson.practice import audio as module
from underbow.lesson.practice.audio import KNOCK, LEAD, OVER, PIECE, RATE, Strip, bit_rate, knock, page_audio
from underbow.sound.choose import Choice, choose_voice
from underbow.sound.mastering.loudness import LoudnessMeter
from underbow.sound.mix import Mixer
from underbow.sound.room import parts_in_room
from underbow.sound.stems import Stems
from underbow.sound.voice.voices import Remembered, frame_of
from underbow.track.mixes import Mix
from underbow.track.sequencer import perform

from .conftest import Track, short_sheet

MEGABYTE = 1_000_000


def decoded(sound: bytes) -> np.ndarray:
    samples, rate = soundfile.read(io.BytesIO(sound), dtype="float32")
    assert rate == RATE
    assert samples.ndim == 1
    return np.asarray(samples)


def strip_of(pieces: tuple[bytes, ...]) -> np.ndarray:
    """Put the pieces of a part together again, as the page does but for the fades."""
    begin = round(LEAD * RATE) + OVER
    return np.concatenate([decoded(piece)[begin : begin + PIECE] for piece in pieces])


def test_the_same_performance_gives_the_same_bytes(track: Track) -> None:
    assert page_audio(track.performance, track.sheet.mixes, voices="builtin") == track.audio


def test_the_strip_holds_every_part_of_every_pass_where_it_says(track: Track) -> None:
    performance = track.performance
    with closing(choose_voice(performance, "builtin", rate=RATE)) as choice:
        stems = Stems(performance, Remembered(choice.voice, 1 << 26), list(track.audio.parts))
        whole = np.concatenate(list(parts_in_room(stems.blocks(), RATE)), axis=1) * 10 ** (track.audio.gain / 20)
    for row, (part, pieces) in enumerate(track.audio.parts.items()):
        strip = strip_of(pieces)
        for one, place in zip(performance.passes, track.audio.places, strict=True):
            start, end = (frame_of(performance.tempo.seconds(at), RATE) for at in (one.start, one.end))
            original, carried = whole[row, start:end], strip[place : place + end - start]
            assert np.corrcoef(original, carried)[0, 1] > 0.97, (part, one.number)


def test_passes_that_are_played_alike_are_carried_once() -> None:
    sheet = short_sheet(tempo={"beat": "1/2", "goal": 140, "passes": 5, "ramp": "steady", "start": 140})
    performance = perform(sheet)
    strip = Strip.of(performance, 10**8)
    assert len(set(strip.places)) == 2  # the last pass ends otherwise
    assert strip.frames < 2.4 * RATE * performance.tempo.seconds(performance.passes[1].start)


def test_the_first_mix_is_as_loud_as_asked_and_the_others_by_their_trim(track: Track) -> None:
    performance = track.performance
    parts = {name: strip_of(pieces) for name, pieces in track.audio.parts.items()}
    with closing(choose_voice(performance, "builtin", rate=RATE)) as choice:
        stems = Stems(performance, Remembered(choice.voice, 1 << 26))
        for mix in track.sheet.mixes:
            meter = LoudnessMeter(RATE, 2)
            for block in Mixer(performance, mix, stems.names, RATE).mixed(stems.blocks()):
                meter.add(block * np.float32(10 ** ((track.audio.gain + track.audio.trims[mix.name]) / 20)))
            assert meter.integrated() == pytest.approx(-16.0, abs=0.2), mix.name
    assert track.audio.trims["backup turn"] == 0
    assert all(np.abs(sound).max() < 0.9 for sound in parts.values())


def test_the_knock_is_a_short_sound_in_silence() -> None:
    sound = knock()
    assert len(sound) == round(LEAD * RATE)
    loud = np.flatnonzero(np.abs(sound) > 1e-4) / RATE
    assert loud.min() > KNOCK - 0.015
    assert loud.max() < KNOCK + 0.015
    assert np.average(np.arange(len(sound)), weights=sound**2) / RATE == pytest.approx(KNOCK, abs=1e-5)


@pytest.mark.parametrize("parts", [1, 2, 3, 4])
def test_six_minutes_leave_room_for_a_track_in_15_megabytes(parts: int) -> None:
    """Packed, the page's base64 is about as large as the sound in it; a track beside it has 112 kbit/s."""
    kbps = bit_rate(360, parts)
    assert kbps >= 48
    if parts <= 3:
        assert (kbps * parts + 112) * 125 * 360 < 14 * MEGABYTE


def test_a_minute_is_as_large_as_its_bit_rate_says(track: Track) -> None:
    for pieces in track.audio.parts.values():
        seconds = sum(len(decoded(piece)) for piece in pieces) / RATE
        assert sum(map(len, pieces)) * 8 / seconds == pytest.approx(64_000, rel=0.05)


def test_a_part_that_no_mix_lets_be_heard_is_not_carried(track: Track) -> None:
    mixes = [Mix("two", (("melody", (0.0,)), ("click", (0.0,))))]
    assert list(page_audio(track.performance, mixes, voices="builtin").parts) == ["melody"]
    silent = page_audio(track.performance, [Mix("hush", (("click", (0.0,)),))], voices="builtin")
    assert silent.parts == {}


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
