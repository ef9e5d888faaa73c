"""MP3: read back by decoders that didn't write it, to the sample; the header against the standard's own numbers."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from underbow.errors import InputError
from underbow.sound.files.encode import encode

from .encoding import cut

CASES = [(44_100, 2, None), (44_100, 1, 96), (24_000, 1, 48), (24_000, 1, 64), (48_000, 2, 320), (22_050, 1, 24)]


def chirp(rate: int, count: int, channels: int) -> np.ndarray:
    """A tone that rises without end: it fits itself at one lag only."""
    time = np.arange(count) / rate
    tone = 0.3 * np.sin(2 * np.pi * (200 * time + 150 * time**2)) * np.minimum(1, time * 20)
    return np.repeat(tone[:, None], channels, axis=1).astype(np.float32)


def ffmpeg(program: Callable[[str], str], path: Path, channels: int) -> np.ndarray:
    told = subprocess.run(
        [program("ffmpeg"), "-v", "error", "-i", str(path), "-f", "f32le", "-"], capture_output=True, check=True
    )
    assert told.stderr == b""
    return np.frombuffer(told.stdout, "<f4").reshape(-1, channels)


@pytest.mark.parametrize(("rate", "channels", "kbps"), CASES)
@pytest.mark.parametrize("rest", [0, 1, 575, 1151])
def test_two_decoders_give_back_every_sample_where_it_was(
    program: Callable[[str], str], tmp_path: Path, rate: int, channels: int, kbps: Any, rest: int
) -> None:
    sound = chirp(rate, 2 * 1152 * 20 + rest, channels)
    path = tmp_path / "a.mp3"
    assert encode(path, cut(sound), rate=rate, format="mp3", channels=channels, kbps=kbps).frames == len(sound)
    for back in (ffmpeg(program, path, channels), soundfile.read(path, always_2d=True)[0]):
        assert len(back) == len(sound)
        spectrum = np.fft.rfft(back[:, 0], 1 << 17) * np.conj(np.fft.rfft(sound[:, 0], 1 << 17))
        assert int(np.argmax(np.fft.irfft(spectrum))) == 0
        assert np.sqrt(np.mean((back - sound) ** 2)) < 0.02


def frames(content: bytes) -> list[bytes]:
    """Cut a file by the lengths that its frame headers say (ISO/IEC 11172-3, 2.4.3.1, and 13818-3)."""
    high, low = [0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320], [0, 8, 16, 24, 32, 40, 48, 56, 64]
    out, at = [], 0
    while at < len(content):
        assert content[at] == 0xFF
        assert content[at + 1] & 0xE0 == 0xE0
        mpeg1 = content[at + 1] >> 3 & 3 == 3
        rate = (44_100, 48_000, 32_000)[content[at + 2] >> 2 & 3] // (1 if mpeg1 else 2)
        kbps = (high if mpeg1 else [*low, 80, 96, 112, 128, 144, 160])[content[at + 2] >> 4]
        length = (144 if mpeg1 else 72) * kbps * 1000 // rate + (content[at + 2] >> 1 & 1)
        out.append(content[at : at + length])
        at += length
    return out


@pytest.mark.parametrize(("rate", "channels", "kbps"), CASES)
def test_the_header_counts_frames_and_bytes(tmp_path: Path, rate: int, channels: int, kbps: Any) -> None:
    path = tmp_path / "a.mp3"
    encode(path, [chirp(rate, 100_000, channels)], rate=rate, format="mp3", channels=channels, kbps=kbps)
    first, *others = frames(path.read_bytes())
    at = first.index(b"Info")
    assert int.from_bytes(first[at + 8 : at + 12], "big") == len(others)
    assert int.from_bytes(first[at + 12 : at + 16], "big") == path.stat().st_size
    delays = int.from_bytes(first[at + 141 : at + 144], "big")
    spf = 1152 if rate >= 32_000 else 576
    assert delays >> 12 == 576
    assert len(others) * spf - 576 - (delays & 0xFFF) == 100_000


def test_a_rate_that_mp3_lacks_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"mp3 at 44100 Hz has no 100 kbit/s; choose one of 32, 40"):
        encode(tmp_path / "a.mp3", [], rate=44_100, format="mp3", kbps=100)
    with pytest.raises(InputError, match=r"mp3 can't hold 96000 Hz"):
        encode(tmp_path / "a.mp3", [], rate=96_000, format="mp3")
    assert not list(tmp_path.iterdir())
